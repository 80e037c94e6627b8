#include "document/round.h"

#include <boost/json/array.hpp>
#include <boost/json/parse.hpp>
#include <cmath>

#include "document/number.h"
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
            {"stops", std::move(stops)}};
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
                                           {"days", std::move(days)},
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
            {"technicians", std::move(technicians)},
            {"not_reached", std::move(not_reached)},
            {"moved", std::move(moved)},
            {"price", number(round.price)},
            {"bound", number(round.bound)},
            {"cut_short", round.cut_short}};
}

namespace {

// Throw where something is not as `to_json` wrote it.
std::string text_in(json::object const& object, std::string_view name) {
    return std::string{object.at(name).as_string()};
}

Timestamp time_in(json::object const& object, std::string_view name) {
    return parse_rfc3339(text_in(object, name)).value();
}

rounds::RoundDay day_of(json::object const& object) {
    rounds::RoundDay day;
    day.date = std::chrono::year_month_day{
        std::chrono::floor<std::chrono::days>(parse_rfc3339(text_in(object, "date") + "T00:00:00Z").value())};
    for (auto const& one : object.at("with").as_array()) {
        day.with.emplace_back(one.as_string());
    }
    for (auto const& one : object.at("stops").as_array()) {
        auto const& stop = one.as_object();
        rounds::RoundStop result;
        result.site = result.site_name = text_in(stop, "site");
        result.arrive = time_in(stop, "arrive");
        result.leave = time_in(stop, "leave");
        day.stops.push_back(std::move(result));
    }
    return day;
}

}  // namespace

std::optional<rounds::Round> round_of(std::string_view text) try {
    auto const parsed = json::parse(text);
    auto const& object = parsed.as_object();
    rounds::Round round;
    round.week = zone::parse_week(text_in(object, "week")).value();
    if (!object.at("published_at").is_null()) {
        round.published_at = time_in(object, "published_at");
    }
    round.revision = static_cast<int>(object.at("revision").as_int64());
    for (auto const& one : object.at("technicians").as_array()) {
        auto const& technician = one.as_object();
        rounds::RoundTechnician result;
        result.technician = result.name = text_in(technician, "technician");
        for (auto const& day : technician.at("days").as_array()) {
            result.days.push_back(day_of(day.as_object()));
        }
        round.technicians.push_back(std::move(result));
    }
    return round;
} catch (std::exception const&) {
    return std::nullopt;
}

}  // namespace probekeeper::document
