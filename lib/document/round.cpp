#include "document/round.h"

#include <boost/json/array.hpp>
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
    return {{"week", zone::to_text(round.week)},
            {"published_at", time(round.published_at)},
            {"revision", round.revision},
            {"technicians", std::move(technicians)},
            {"not_reached", std::move(not_reached)},
            {"price", number(round.price)},
            {"bound", number(round.bound)},
            {"cut_short", round.cut_short}};
}

}  // namespace probekeeper::document
