#include "document/round.h"

#include <boost/json/array.hpp>
#include <cmath>

#include "document/number.h"
#include "document/read.h"
#include "document/ticket.h"
#include "rounds/words.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

json::array written(std::vector<service::Part> const& parts) {
    json::array out;
    for (auto const& part : parts) {
        json::object one{{"part", part.part}};
        if (!part.kind.empty()) {
            one["kind"] = part.kind;
        }
        one["quantity"] = part.quantity;
        out.push_back(std::move(one));
    }
    return out;
}

json::array texts(std::vector<std::string> const& all) {
    return json::array(all.begin(), all.end());
}

std::int64_t whole(double minutes) {
    return std::llround(minutes);
}

json::object written(rounds::RoundJob const& job) {
    return {{"probe", job.probe},
            {"ticket", text_or_null(job.ticket)},
            {"location", text_or_null(job.location)},
            {"serial", text_or_null(job.serial)},
            {"work", texts(job.work)},
            {"minutes", whole(job.minutes)},
            {"why_now", job.why_now},
            {"evidence", text_or_null(job.evidence)},
            {"pulled_forward", job.pulled_forward},
            {"life_price", number(job.life_price)},
            {"parts", written(job.parts)},
            {"cautions", texts(job.cautions)}};
}

json::object written(rounds::RoundStop const& stop) {
    json::array jobs;
    for (auto const& job : stop.jobs) {
        jobs.push_back(written(job));
    }
    return {{"site", stop.site},
            {"name", text_or_null(stop.site_name)},
            {"address", text_or_null(stop.address)},
            {"access_notes", text_or_null(stop.access_notes)},
            {"arrive", time(stop.arrive)},
            {"leave", time(stop.leave)},
            {"jobs", std::move(jobs)}};
}

json::object written(rounds::RoundDay const& day) {
    json::array stops;
    for (auto const& stop : day.stops) {
        stops.push_back(written(stop));
    }
    return {{"date", rounds::day_text(day.date)},
            {"depart", time(day.depart)},
            {"home", time(day.home)},
            {"drive_minutes", whole(day.drive_minutes)},
            {"work_minutes", whole(day.work_minutes)},
            {"with", texts(day.with)},
            {"lead", text_or_null(day.lead)},
            {"stops", std::move(stops)}};
}

json::array joins(rounds::Round const& round, std::string const& technician) {
    json::array out;
    for (auto const& join : rounds::joins_of(round, technician)) {
        out.push_back(json::object{{"date", rounds::day_text(join.date)}, {"technician", join.technician}});
    }
    return out;
}

}  // namespace

json::object to_json(rounds::Round const& round) {
    json::array technicians;
    for (auto const& technician : round.technicians) {
        json::array days;
        for (auto const& day : technician.days) {
            days.push_back(written(day));
        }
        technicians.push_back(json::object{{"technician", technician.technician},
                                           {"name", text_or_null(technician.name)},
                                           {"time_zone", technician.time_zone},
                                           {"days", std::move(days)},
                                           {"joins", joins(round, technician.technician)},
                                           {"load", written(technician.load)}});
    }
    json::array not_reached;
    for (auto const& left : round.not_reached) {
        not_reached.push_back(
            json::object{{"ticket", text_or_null(left.ticket)}, {"probe", left.probe}, {"why", left.why}});
    }
    json::array moved;
    for (auto const& one : round.moved) {
        moved.push_back(json::object{{"site", one.site},
                                     {"was_technician", one.was_technician},
                                     {"technician", one.technician},
                                     {"was", time(one.was)},
                                     {"now", time(one.now)}});
    }
    return {{"week", zone::to_text(round.week)},
            {"published_at", time(round.published_at)},
            {"revision", round.revision},
            {"differs", round.differs},
            {"technicians", std::move(technicians)},
            {"not_reached", std::move(not_reached)},
            {"moved", std::move(moved)},
            {"price", number(round.price)},
            {"bound", number(round.bound)},
            {"cut_short", round.cut_short}};
}

namespace {

rounds::RoundJob job_of(json::object const& object) {
    rounds::RoundJob job;
    job.probe = text_in(object, "probe");
    job.ticket = text_in(object, "ticket");
    job.location = text_in(object, "location");
    job.serial = text_in(object, "serial");
    job.work = texts_in(object, "work");
    job.minutes = number_in(object, "minutes");
    job.why_now = text_in(object, "why_now");
    job.evidence = text_in(object, "evidence");
    job.pulled_forward = object.at("pulled_forward").as_bool();
    job.life_price = number_in(object, "life_price");
    job.parts = all_in(object, "parts", part_of);
    job.cautions = texts_in(object, "cautions");
    return job;
}

rounds::RoundStop stop_of(json::object const& object) {
    return {text_in(object, "site"),         text_in(object, "name"),   text_in(object, "address"),
            text_in(object, "access_notes"), time_in(object, "arrive"), time_in(object, "leave"),
            all_in(object, "jobs", job_of)};
}

rounds::RoundDay day_of(json::object const& object) {
    rounds::RoundDay day;
    day.date = date_in(object, "date");
    day.depart = time_in(object, "depart");
    day.home = time_in(object, "home");
    day.drive_minutes = number_in(object, "drive_minutes");
    day.work_minutes = number_in(object, "work_minutes");
    day.with = texts_in(object, "with");
    day.lead = text_in(object, "lead");
    day.stops = all_in(object, "stops", stop_of);
    return day;
}

rounds::RoundTechnician technician_of(json::object const& object) {
    return {text_in(object, "technician"), text_in(object, "name"), text_in(object, "time_zone"),
            all_in(object, "days", day_of), all_in(object, "load", part_of)};
}

rounds::Moved moved_of(json::object const& object) {
    return {text_in(object, "site"), text_in(object, "was_technician"), text_in(object, "technician"),
            time_in(object, "was"), time_in(object, "now")};
}

}  // namespace

std::optional<rounds::Round> round_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        rounds::Round round;
        round.week = zone::parse_week(text_in(object, "week")).value();
        round.published_at = maybe_time_in(object, "published_at");
        round.revision = static_cast<int>(object.at("revision").as_int64());
        round.differs = object.at("differs").as_bool();
        round.technicians = all_in(object, "technicians", technician_of);
        round.not_reached = all_in(object, "not_reached", [](json::object const& left) {
            return rounds::NotReached{text_in(left, "ticket"), text_in(left, "probe"), text_in(left, "why")};
        });
        round.moved = all_in(object, "moved", moved_of);
        round.price = number_in(object, "price");
        round.bound = maybe_number_in(object, "bound");
        round.cut_short = object.at("cut_short").as_bool();
        return round;
    });
}

}  // namespace probekeeper::document
