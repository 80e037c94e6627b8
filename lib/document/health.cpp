#include "document/health.h"

#include <boost/json/array.hpp>

#include "document/number.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

std::string_view to_word(Health::Status status) {
    switch (status) {
        case Health::Status::ok:
            return "ok";
        case Health::Status::degraded:
            return "degraded";
        case Health::Status::failing:
            return "failing";
    }
    return "";
}

json::object written(std::vector<Queue> const& queues) {
    json::object out;
    for (auto const& q : queues) {
        out[q.name] = json::object{{"length", q.length}, {"limit", q.limit}, {"dropped", q.dropped}};
    }
    return out;
}

json::value written(std::optional<HubHealth> const& hub) {
    if (!hub) {
        return nullptr;
    }
    return json::object{{"state", hub->state},
                        {"waiting", hub->waiting},
                        {"hours_waiting", hub->hours_waiting},
                        {"oldest", time(hub->oldest)},
                        {"last_contact", time(hub->last_contact)}};
}

}  // namespace

json::object to_json(Health const& h) {
    return {{"status", to_word(h.status)},
            {"version", h.version},
            {"uptime_s", number(h.uptime_s)},
            {"store", json::object{{"status", h.store_ok ? "ok" : "failing"},
                                   {"problem", text_or_null(h.store_problem)},
                                   {"bytes", h.store_bytes},
                                   {"newest_reading", time(h.newest_reading)}}},
            {"lines", json::object{{"up", h.lines_up}, {"down", h.lines_down}}},
            {"queues", written(h.queues)},
            {"hub", written(h.hub)},
            {"clock_ahead_s", number(h.clock_ahead_s)},
            {"warnings", json::array(h.warnings.begin(), h.warnings.end())}};
}

}  // namespace probekeeper::document
