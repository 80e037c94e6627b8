// What service has taught: findings, instruments, lives of membranes, parts to come.
#include "document/lessons.h"
#include "api/handlers.h"
#include "document/instrument.h"

namespace probekeeper::api {
namespace {

std::vector<std::string> only(std::optional<std::string> const& site) {
    return site ? std::vector{*site} : std::vector<std::string>{};
}

}  // namespace

Response list_findings(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.findings(call.query.id("site"), call.query.page())));
}

Response list_instruments(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.instruments(only(call.query.id("site")), call.query.page())));
}

Response show_instrument(Call const& call, Backend& backend) {
    return json_response(to_json(value_of(call, backend.instrument(call.ids[0], call.caller.sites))));
}

Response list_membranes(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.membranes(call.ids[0], call.query.page())));
}

Response list_membrane_statistics(Call const& call, Backend& backend) {
    return list_response(
        value_of(call, backend.membrane_statistics(call.query.id("site"), call.query.page())));
}

Response show_parts_demand(Call const& call, Backend& backend) {
    constexpr std::int64_t usual = 8;
    auto const weeks = call.query.integer("weeks", 1, service::most_weeks).value_or(usual);
    return json_response(document::to_json(
        value_of(call, backend.parts_demand(call.query.id("site"), static_cast<int>(weeks)))));
}

}  // namespace probekeeper::api
