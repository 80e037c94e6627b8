#include "api/parameters.h"

#include <algorithm>
#include <array>
#include <boost/json/parse.hpp>
#include <stdexcept>
#include <string>

namespace probekeeper::api {
namespace {

namespace json = boost::json;

struct Parameter {
    std::string_view name, schema, description;
};
constexpr std::string_view id = R"({"type": "string", "pattern": "^[a-z0-9-]{1,48}$"})";
constexpr std::string_view instant = R"({"type": "string", "format": "date-time"})";
constexpr std::array parameters{
    Parameter{"after", R"({"type": "string"})", "What the page before gave as `next`; opaque"},
    Parameter{"limit", R"({"type": "integer", "minimum": 1})",
              "At most so many items; greatest value by endpoint"},
    Parameter{"site", id, "Only of this site"},
    Parameter{"probe", id, "Only of this probe"},
    Parameter{"technician", id, "Only where this technician goes"},
    Parameter{"condition", R"({"$ref": "#/components/schemas/Condition"})", "Only probes in this condition"},
    Parameter{"state", R"({"$ref": "#/components/schemas/TicketState"})", "Only tickets in this state"},
    Parameter{"reason", R"({"$ref": "#/components/schemas/Reason"})",
              "Only tickets with this reason, cleared or not"},
    Parameter{"from", instant, "From this time on"},
    Parameter{"to", instant, "Before this time"},
    Parameter{"month", R"({"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}$"})",
              "Of the site's calendar, as 2026-03; without it the last whole one"},
    Parameter{"quantity", R"({"enum": ["do", "t90", "background", "fluctuation"]})", "What is drawn"},
    Parameter{"days", R"({"type": "integer", "minimum": 1, "maximum": 400})", "How many days back"},
    Parameter{"last_event_id", R"({"type": "integer", "minimum": 0})",
              "The last event that was heard, where no Last-Event-ID header can be sent: a new EventSource"},
    Parameter{"weeks", R"({"type": "integer", "minimum": 1, "maximum": 52})",
              "How many weeks ahead; 8 unless told"},
    Parameter{"step_s", R"({"type": "integer", "minimum": 1})", "Summaries of so many seconds each"},
};

}  // namespace

json::object describe_parameter(std::string_view name) {
    auto const found = std::find_if(parameters.begin(), parameters.end(),
                                    [&](Parameter const& p) { return p.name == name; });
    if (found == parameters.end()) {
        throw std::logic_error{"parameter " + std::string{name} + " is not described in parameters.cpp"};
    }
    return {{"name", name},
            {"in", "query"},
            {"required", false},
            {"description", found->description},
            {"schema", json::parse(found->schema)}};
}

}  // namespace probekeeper::api
