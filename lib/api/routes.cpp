#include "api/routes.h"

#include <array>

#include "api/handlers.h"

namespace probekeeper::api {
namespace {

using enum Where;

// To add an endpoint, add a line here and a handler to handlers.h.
constexpr std::array routes{
    Route{"GET", "/v1/health", show_health, at_once, ""},
    Route{"GET", "/v1/sites", list_sites, in_pool, "limit after"},
    Route{"GET", "/v1/sites/{site}", show_site, at_once, ""},
    Route{"GET", "/v1/probes", list_probes, in_pool, "site condition limit after"},
    Route{"GET", "/v1/probes/{probe}", show_probe, at_once, ""},
    Route{"GET", "/v1/probes/{probe}/readings", show_readings, in_pool, "from to step_s limit after"},
    Route{"GET", "/v1/probes/{probe}/diagnosis", show_diagnosis, in_pool, ""},
    Route{"GET", "/v1/probes/{probe}/suitability", show_suitability, in_pool, ""},
    Route{"GET", "/v1/probes/{probe}/chart.svg", draw_chart, in_pool, "quantity days"},
    Route{"GET", "/v1/probes/{probe}/response-tests", list_response_tests, in_pool, "from limit after"},
    Route{"GET", "/v1/probes/{probe}/service-records", list_service_records, in_pool, "limit after"},
    Route{"POST", "/v1/probes/{probe}/service-records", add_service_record, in_pool, ""},
    Route{"GET", "/v1/tickets", list_tickets, in_pool, "site probe state reason limit after"},
    Route{"GET", "/v1/tickets/{ticket}", show_ticket, in_pool, ""},
    Route{"POST", "/v1/tickets/{ticket}/acknowledge", acknowledge_ticket, in_pool, ""},
    Route{"POST", "/v1/tickets/{ticket}/close", close_ticket, in_pool, ""},
};

// A ticket's id is a site's and a number: longer than any other.
constexpr std::size_t longest_id = 48 + 1 + 19;

// The first segment of `pattern` ("/v1/..."), which loses it.
std::string_view next_segment(std::string_view& pattern) {
    pattern.remove_prefix(1);
    auto const segment = pattern.substr(0, pattern.find('/'));
    pattern.remove_prefix(segment.size());
    return segment;
}

// Appends to `ids` what stands in the braces' places.
bool fits(std::string_view pattern, std::vector<std::string> const& segments, std::vector<std::string>& ids) {
    for (auto const& segment : segments) {
        if (pattern.empty()) {
            return false;
        }
        auto const wanted = next_segment(pattern);
        if (wanted.front() != '{') {
            if (segment != wanted) {
                return false;
            }
        } else if (shaped_like_id(segment, longest_id)) {
            ids.push_back(segment);
        } else {
            return false;
        }
    }
    return pattern.empty();
}

}  // namespace

Match match(std::string_view method, std::vector<std::string> const& segments) {
    Match out;
    for (auto const& route : routes) {
        std::vector<std::string> ids;
        if (!fits(route.pattern, segments, ids)) {
            continue;
        }
        out.allowed.emplace_back(route.method);
        if (route.method == "GET") {
            out.allowed.emplace_back("HEAD");
        }
        if (route.method == method || (route.method == "GET" && method == "HEAD")) {
            out.route = &route;
            out.ids = std::move(ids);
        }
    }
    if (!out.allowed.empty()) {
        out.allowed.emplace_back("OPTIONS");
    }
    return out;
}

}  // namespace probekeeper::api
