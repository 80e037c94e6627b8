#include "document/month_report.h"

#include <boost/json/array.hpp>

#include "base/date.h"
#include "document/number.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

json::object written(service::TimeShares const& t) {
    return {{"good", number(t.good)},
            {"maintenance_required", number(t.maintenance_required)},
            {"out_of_specification", number(t.out_of_specification)},
            {"failure", number(t.failure)},
            {"function_check", number(t.function_check)},
            {"unknown", number(t.unknown)},
            {"out_of_use", number(t.out_of_use)}};
}

json::object written(service::ProbeMonth const& p) {
    return {{"id", p.id},
            {"location", text_or_null(p.location)},
            {"judged", number(p.time.judged())},
            {"time", written(p.time)},
            {"response_tests", p.response_tests},
            {"response_tests_used", p.response_tests_used},
            {"reference_checks", p.reference_checks},
            {"calibrations", p.calibrations},
            {"first_t90_s", number(p.first_t90_s)},
            {"last_t90_s", number(p.last_t90_s)}};
}

json::object written(service::TicketMonth const& t) {
    json::array reasons;
    for (auto const& reason : t.reasons) {
        reasons.emplace_back(reason);
    }
    return {{"id", t.id},
            {"probe", t.probe},
            {"state", service::to_word(t.state)},
            {"opened_at", time(t.opened_at)},
            {"ended_at", time(t.ended_at)},
            {"reasons", std::move(reasons)},
            {"how", text_or_null(t.how)}};
}

json::object written(service::WorkMonth const& w) {
    return {{"at", time(w.at)},
            {"probe", w.probe},
            {"kind", service::to_word(w.kind)},
            {"by", text_or_null(w.by)},
            {"note", text_or_null(w.note)}};
}

template <typename T>
json::array list(std::vector<T> const& items) {
    json::array out;
    for (auto const& item : items) {
        out.emplace_back(written(item));
    }
    return out;
}

}  // namespace

json::object to_json(service::MonthReport const& r, MonthNames const& names) {
    json::array membranes;
    for (auto const& [kind, count] : r.membranes) {
        membranes.push_back(json::object{{"kind", text_or_null(kind)}, {"count", count}});
    }
    auto const first = to_text(names.month / std::chrono::day{1});
    return {{"site", r.site},
            {"name", text_or_null(names.site_name)},
            {"month", first.substr(0, 7)},
            {"time_zone", names.time_zone},
            {"from", time(r.from)},
            {"until", time(r.until)},
            {"complete", r.complete},
            {"made_at", time(names.made_at)},
            {"probes", list(r.probes)},
            {"tickets", list(r.tickets)},
            {"work", list(r.work)},
            {"membranes", std::move(membranes)}};
}

}  // namespace probekeeper::document
