// Commands that a hub hands on to the sites' own daemons.
#include <boost/json/parse.hpp>

#include "api/handlers.h"
#include "document/number.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

// Null where it is none: a site of another version may answer in a way of its own.
json::value parsed(std::string const& body) {
    json::error_code error;
    auto value = json::parse(body, error);
    return !error && value.is_object() ? value : json::value(nullptr);
}

json::object written(StepReport const& report) {
    auto const& outcome = report.outcome;
    return {{"step", report.id},
            {"state", outcome ? "done" : "waiting"},
            {"made_at", to_rfc3339(report.made_at)},
            {"who", report.who},
            {"method", report.method},
            {"path", report.path},
            {"sites", json::array(report.sites.begin(), report.sites.end())},
            {"waiting", json::array(report.waiting.begin(), report.waiting.end())},
            {"at", outcome ? json::value(to_rfc3339(outcome->at)) : json::value(nullptr)},
            {"status", outcome ? json::value(outcome->status) : json::value(nullptr)},
            {"answer", outcome ? parsed(outcome->body) : json::value(nullptr)}};
}

}  // namespace

Response step_response(StepReport const& report) {
    if (report.outcome) {
        return {report.outcome->status, report.outcome->content_type, report.outcome->body, {}};
    }
    auto response = json_response(written(report), 202);
    response.headers.emplace_back("Location", "/v1/steps/" + report.id);
    return response;
}

Response show_step(Call const& call, Backend& backend) {
    auto const report = value_of(call, backend.step_report(call.ids[0]));
    bool const seen = std::all_of(report.sites.begin(), report.sites.end(),
                                  [&](std::string const& site) { return call.caller.sees(site); });
    if (!seen) {
        throw Problem{ProblemType::not_found, "there is no step " + call.ids[0], {}, {}};
    }
    return json_response(written(report));
}

}  // namespace probekeeper::api
