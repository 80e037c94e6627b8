#include "document/out_of_use.h"
#include "api/handlers.h"
#include "base/text.h"

namespace probekeeper::api {
namespace {

using service::OutOfUse;

boost::json::object written(OutOfUse const& told) {
    return document::to_json(told);
}

OutOfUse parsed(document::Parsed<OutOfUse> told) {
    if (!told) {
        throw invalid_fields(told.error());
    }
    return std::move(told.value());
}

Response park(Call const& call, Backend& backend, std::string site, std::optional<std::string> probe) {
    auto told = parsed(document::parse_out_of_use(call.body, call.now, call.caller.name));
    told.site = std::move(site);
    told.probe = std::move(probe);
    return json_response(
        written(value_of(call, backend.set_out_of_use(told, keep<OutOfUse>(call, 201, &written)))), 201);
}

Response end(Call const& call, Backend& backend, std::string site, std::optional<std::string> probe) {
    auto told = parsed(document::parse_back_in_use(call.body, call.now, call.caller.name));
    auto const number = parse_integer(call.ids[1]).value_or(0);
    told.number = number > 0 ? number : -1;  // 0 would be a new one; what is no number was never told
    told.site = std::move(site);
    told.probe = std::move(probe);
    return json_response(
        written(value_of(call, backend.set_out_of_use(told, keep<OutOfUse>(call, 200, &written)))));
}

std::string site_of(Call const& call, Backend& backend) {
    return value_of(call, backend.probe(call.ids[0])).site;
}

std::string known_site(Call const& call, Backend& backend) {
    return value_of(call, backend.site(call.ids[0])).facts.id;
}

}  // namespace

Response list_probe_out_of_use(Call const& call, Backend& backend) {
    return list_response(
        value_of(call, backend.out_of_use(site_of(call, backend), call.ids[0], call.query.page())));
}

Response park_probe(Call const& call, Backend& backend) {
    return park(call, backend, site_of(call, backend), call.ids[0]);
}

Response end_probe_out_of_use(Call const& call, Backend& backend) {
    return end(call, backend, site_of(call, backend), call.ids[0]);
}

Response list_site_out_of_use(Call const& call, Backend& backend) {
    return list_response(
        value_of(call, backend.out_of_use(known_site(call, backend), std::nullopt, call.query.page())));
}

Response park_site(Call const& call, Backend& backend) {
    return park(call, backend, known_site(call, backend), std::nullopt);
}

Response end_site_out_of_use(Call const& call, Backend& backend) {
    return end(call, backend, known_site(call, backend), std::nullopt);
}

}  // namespace probekeeper::api
