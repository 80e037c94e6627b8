#include "api/routes.h"

#include <algorithm>
#include <array>

#include "api/handlers.h"

namespace probekeeper::api {
namespace {

using enum Where;
using access::Role;

// To add an endpoint, add a line here and a handler to handlers.h.
constexpr std::array routes{
    Route{.method = "GET",
          .pattern = "/v1/health",
          .handler = show_health,
          .summary = "How the daemon is",
          .answer = "Health",
          .where = at_once,
          .limits_itself = true},

    Route{.method = "GET",
          .pattern = "/v1/sites",
          .handler = list_sites,
          .summary = "Sites with counts of probes by condition, by id",
          .answer = "SiteList",
          .parameters = "limit after",
          .limits_itself = true},
    Route{.method = "GET",
          .pattern = "/v1/sites/{site}",
          .handler = show_site,
          .summary = "One site",
          .answer = "Site",
          .where = at_once},
    Route{.method = "GET",
          .pattern = "/v1/sites/{site}/report",
          .handler = show_month,
          .summary =
              "What a customer is owed for a month: checks, tickets, work, membranes, and for how much of "
              "the time each probe could be judged",
          .answer = "MonthReport",
          .parameters = "month"},
    Route{.method = "GET",
          .pattern = "/v1/sites/{site}/report.html",
          .handler = print_month,
          .summary = "The same as a page that prints",
          .parameters = "month",
          .gives = "text/html; charset=utf-8"},

    Route{.method = "GET",
          .pattern = "/v1/probes",
          .handler = list_probes,
          .summary = "Probes, by id",
          .answer = "ProbeList",
          .parameters = "site condition limit after",
          .limits_itself = true,
          .lists = Listed::probes},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}",
          .handler = show_probe,
          .summary = "One probe with its newest reading",
          .answer = "Probe",
          .where = at_once},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/readings",
          .handler = show_readings,
          .summary =
              "Readings as arrays of equal length; with step_s their least, mean and greatest of each step",
          .answer = "Readings",
          .parameters = "from to step_s limit after"},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/diagnosis",
          .handler = show_diagnosis,
          .summary = "What the probe is found to be like, and why",
          .answer = "Diagnosis"},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/suitability",
          .handler = show_suitability,
          .summary = "What this position's readings can and cannot tell",
          .answer = "Suitability"},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/chart.svg",
          .handler = draw_chart,
          .summary = "A chart that a dashboard can embed",
          .parameters = "quantity days",
          .gives = "image/svg+xml"},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/response-tests",
          .handler = list_response_tests,
          .summary = "Steps that the probe answered, by time",
          .answer = "ResponseTestList",
          .parameters = "from limit after"},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/service-records",
          .handler = list_service_records,
          .summary = "Work done, by time",
          .answer = "RecordList",
          .parameters = "limit after"},
    Route{.method = "POST",
          .pattern = "/v1/probes/{probe}/service-records",
          .handler = add_service_record,
          .summary = "Record work done",
          .answer = "TakenRecord",
          .role = Role::operate,
          .body = "NewRecord",
          .status = 201,
          .dated_by = "time"},

    Route{.method = "POST",
          .pattern = "/v1/service-records",
          .handler = add_service_records,
          .summary = "A filled-in round sheet: a record a row, each taken or refused by itself",
          .answer = "RecordSheet",
          .role = Role::operate,
          .takes = "text/csv",
          .limits_itself = true},

    Route{.method = "POST",
          .pattern = "/v1/probes/{probe}/service-records/{record}/void",
          .handler = void_service_record,
          .summary = "A record was wrong: it is kept with the reason, and counts for nothing",
          .answer = "Record",
          .role = Role::operate,
          .body = "NewVoiding",
          .refuses = "409"},

    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/out-of-use",
          .handler = list_probe_out_of_use,
          .summary = "When the probe, or all of its site, is told to be out of use; by number",
          .answer = "OutOfUseList",
          .parameters = "limit after"},
    Route{.method = "POST",
          .pattern = "/v1/probes/{probe}/out-of-use",
          .handler = park_probe,
          .summary = "Parked (drained, fallow, ice): no tickets, no notices; the return asks for a check",
          .answer = "OutOfUse",
          .role = Role::operate,
          .body = "NewOutOfUse",
          .status = 201,
          .dated_by = "from"},
    Route{.method = "POST",
          .pattern = "/v1/probes/{probe}/out-of-use/{number}/end",
          .handler = end_probe_out_of_use,
          .summary = "Back in use, now or at `until`; at its own `from` it never was out of use",
          .answer = "OutOfUse",
          .role = Role::operate,
          .body = "BackInUse",
          .dated_by = "until"},
    Route{.method = "GET",
          .pattern = "/v1/sites/{site}/out-of-use",
          .handler = list_site_out_of_use,
          .summary = "When the site or a probe of it is told to be out of use; by number",
          .answer = "OutOfUseList",
          .parameters = "limit after"},
    Route{.method = "POST",
          .pattern = "/v1/sites/{site}/out-of-use",
          .handler = park_site,
          .summary = "The whole site is parked: no tickets, no notices; the return asks for checks",
          .answer = "OutOfUse",
          .role = Role::operate,
          .body = "NewOutOfUse",
          .status = 201,
          .dated_by = "from"},
    Route{.method = "POST",
          .pattern = "/v1/sites/{site}/out-of-use/{number}/end",
          .handler = end_site_out_of_use,
          .summary = "The whole site is back in use, now or at `until`",
          .answer = "OutOfUse",
          .role = Role::operate,
          .body = "BackInUse",
          .dated_by = "until"},

    Route{.method = "GET",
          .pattern = "/v1/findings",
          .handler = list_findings,
          .summary = "How often each reason was right, from `found`: everywhere, by kind of water, by site",
          .answer = "FindingList",
          .parameters = "site limit after"},
    Route{.method = "GET",
          .pattern = "/v1/instruments",
          .handler = list_instruments,
          .summary = "Instruments by serial, and where each has been",
          .answer = "InstrumentList",
          .parameters = "site limit after"},
    Route{.method = "GET",
          .pattern = "/v1/instruments/{serial}",
          .handler = show_instrument,
          .summary = "Where an instrument has been, its membranes, and its response time day by day",
          .answer = "WholeInstrument",
          .limits_itself = true},
    Route{.method = "GET",
          .pattern = "/v1/probes/{probe}/membranes",
          .handler = list_membranes,
          .summary = "Lives of the membranes that were in this position, by installation",
          .answer = "MembraneList",
          .parameters = "limit after"},
    Route{.method = "GET",
          .pattern = "/v1/membranes/statistics",
          .handler = list_membrane_statistics,
          .summary = "How long membranes last until worn: Kaplan-Meier and Weibull; all, by kind of water, "
                     "membrane and site",
          .answer = "MembraneStatisticsList",
          .parameters = "site limit after"},
    Route{.method = "GET",
          .pattern = "/v1/parts/demand",
          .handler = show_parts_demand,
          .summary = "Parts that the coming weeks will need, from tickets, forecasts and lives of membranes",
          .answer = "PartsDemand",
          .parameters = "site weeks"},

    Route{.method = "POST",
          .pattern = "/v1/readings",
          .handler = add_readings,
          .summary = "Readings of probes that are fed by CSV; the same again does no harm",
          .answer = "Upload",
          .where = upload,
          .role = Role::operate,
          .takes = "text/csv",
          .refuses = "409",
          .limits_itself = true},

    Route{.method = "GET",
          .pattern = "/v1/tickets",
          .handler = list_tickets,
          .summary = "Tickets, by the time they were opened",
          .answer = "TicketList",
          .parameters = "site probe state reason limit after",
          .lists = Listed::tickets},
    Route{.method = "GET",
          .pattern = "/v1/tickets/{ticket}",
          .handler = show_ticket,
          .summary = "One ticket",
          .answer = "Ticket"},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/acknowledge",
          .handler = acknowledge_ticket,
          .summary = "Somebody takes it",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Acknowledgement",
          .refuses = "409"},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/plan",
          .handler = plan_ticket,
          .summary = "A visit is planned for a day of the site",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Planning",
          .refuses = "409"},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/postpone",
          .handler = postpone_ticket,
          .summary = "It waits until then; never a failure",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Postponement",
          .refuses = "409"},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/visit",
          .handler = visit_ticket,
          .summary = "Somebody was there",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Visit",
          .refuses = "409"},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/seen",
          .handler = see_ticket,
          .summary = "The operator has seen it; changes nothing else",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Nothing",
          .refuses = ""},
    Route{.method = "POST",
          .pattern = "/v1/tickets/{ticket}/close",
          .handler = close_ticket,
          .summary = "Nothing more is to be done",
          .answer = "Ticket",
          .role = Role::operate,
          .body = "Closing",
          .refuses = "409"},

    Route{.method = "GET",
          .pattern = "/v1/rounds/{week}",
          .handler = show_round,
          .summary = "The week's round: who goes where, when, why, with what",
          .answer = "Round",
          .parameters = "technician"},
    Route{.method = "GET",
          .pattern = "/v1/rounds/{week}.html",
          .handler = show_round_html,
          .summary = "The same to print on A4 and take along",
          .parameters = "technician",
          .gives = "text/html; charset=utf-8"},
    Route{.method = "GET",
          .pattern = "/v1/rounds/{week}.ics",
          .handler = show_round_ics,
          .summary = "The same for calendars, RFC 5545",
          .parameters = "technician",
          .gives = "text/calendar; charset=utf-8"},
    Route{.method = "GET",
          .pattern = "/v1/rounds/{week}.csv",
          .handler = show_round_csv,
          .summary = "The form that comes back as service records",
          .parameters = "technician",
          .gives = "text/csv; charset=utf-8"},
    Route{.method = "POST",
          .pattern = "/v1/rounds/{week}/publish",
          .handler = publish_round,
          .summary = "Fix the round: from now on it changes as little as possible",
          .answer = "Round",
          .role = Role::operate,
          .body = "RoundStep"},
    Route{.method = "POST",
          .pattern = "/v1/rounds/{week}/replan",
          .handler = replan_round,
          .summary = "Plan the round afresh, whatever was published",
          .answer = "Round",
          .role = Role::operate,
          .body = "RoundStep"},

    Route{.method = "GET",
          .pattern = "/v1/steps/{step}",
          .handler = show_step,
          .summary = "What became of a command that the hub handed on to a site",
          .answer = "Step",
          .limits_itself = true,
          .of_hub = true},
    Route{.method = "POST",
          .pattern = "/v1/links",
          .handler = make_link,
          .summary =
              "An address for one path without a token, good for 60 s to open: for EventSource and images",
          .answer = "Link",
          .where = at_once,
          .body = "NewLink",
          .status = 201,
          .limits_itself = true},
    Route{.method = "GET",
          .pattern = "/v1/events",
          .summary = "Server-sent events `ticket`, `condition`, `line`; goes on behind Last-Event-ID",
          .parameters = "last_event_id",
          .where = events,
          .gives = "text/event-stream",
          .limits_itself = true},
    Route{.method = "GET",
          .pattern = "/v1/changes",
          .handler = list_changes,
          .summary = "Who changed what by this API, newest first",
          .answer = "ChangeList",
          .parameters = "limit after",
          .role = Role::admin},
    Route{.method = "GET",
          .pattern = "/v1/scada/points.csv",
          .handler = list_scada_points,
          .summary = "The tag list of the Modbus server: address, type, scale, unit, description",
          .parameters = "site",
          .gives = "text/csv; charset=utf-8",
          .limits_itself = true},
    Route{.method = "GET",
          .pattern = "/metrics",
          .handler = show_metrics,
          .summary = "Counters and measurements, OpenMetrics text",
          .where = at_once,
          .gives = "application/openmetrics-text; version=1.0.0; charset=utf-8"},
    Route{.method = "GET",
          .pattern = "/problems",
          .handler = list_problem_types,
          .summary = "Every type of problem that an answer may name",
          .answer = "ProblemTypeList",
          .where = at_once,
          .role = Role::none},
    Route{.method = "GET",
          .pattern = "/problems/{problem}",
          .handler = show_problem_type,
          .summary = "One type of problem",
          .answer = "ProblemType",
          .where = at_once,
          .role = Role::none,
          .refuses = "404"},
    Route{.method = "GET",
          .pattern = "/openapi.json",
          .handler = show_openapi,
          .summary = "This description, OpenAPI 3.1",
          .answer = "AnyObject",
          .role = Role::none},
};

// A ticket's id is a site's and a number: longer than any other.
constexpr std::size_t longest_id = 48 + 1 + 19;
constexpr std::size_t longest_serial = 200;

bool shaped_like_week(std::string_view text) {
    auto const digits = [](std::string_view part) {
        return std::all_of(part.begin(), part.end(), [](char c) { return c >= '0' && c <= '9'; });
    };
    return text.size() == 8 && digits(text.substr(0, 4)) && text.substr(4, 2) == "-W" &&
           digits(text.substr(6));
}

// The first segment of `pattern` ("/v1/..."), which loses it.
std::string_view next_segment(std::string_view& pattern) {
    pattern.remove_prefix(1);
    auto const segment = pattern.substr(0, pattern.find('/'));
    pattern.remove_prefix(segment.size());
    return segment;
}

// What stands in the place of the braces of `wanted` ("{week}.ics"); empty where `segment` does not fit.
std::string_view id_in(std::string_view wanted, std::string_view segment) {
    auto const end = wanted.find('}');
    auto const name = wanted.substr(1, end - 1), suffix = wanted.substr(end + 1);
    if (segment.size() <= suffix.size() || segment.substr(segment.size() - suffix.size()) != suffix) {
        return {};
    }
    auto const id = segment.substr(0, segment.size() - suffix.size());
    // A serial is whatever its maker stamped on it.
    bool const fits = name == "week"     ? shaped_like_week(id)
                      : name == "serial" ? id.size() <= longest_serial
                                         : shaped_like_id(id, longest_id);
    return fits ? id : std::string_view{};
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
        } else if (auto const id = id_in(wanted, segment); !id.empty()) {
            ids.emplace_back(id);
        } else {
            return false;
        }
    }
    return pattern.empty();
}

}  // namespace

std::span<Route const> all_routes() {
    return routes;
}

Match match(std::string_view method, std::vector<std::string> const& segments, bool of_hub) {
    Match out;
    for (auto const& route : routes) {
        std::vector<std::string> ids;
        if ((route.of_hub && !of_hub) || !fits(route.pattern, segments, ids)) {
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

bool is_change(Route const& route) {
    return route.method == "POST" && route.role >= Role::operate;
}

bool is_of_site(Route const& route) {
    return is_change(route) && route.where != Where::upload && route.body != "RoundStep";
}

bool takes_site(Route const& route) {
    return route.parameters == "site" || route.parameters.starts_with("site ") ||
           route.parameters.find(" site ") != std::string_view::npos || route.parameters.ends_with(" site");
}

std::vector<std::string_view> names_in(std::string_view pattern) {
    std::vector<std::string_view> names;
    for (auto open = pattern.find('{'); open != std::string_view::npos; open = pattern.find('{', open + 1)) {
        names.push_back(pattern.substr(open + 1, pattern.find('}', open) - open - 1));
    }
    return names;
}

}  // namespace probekeeper::api
