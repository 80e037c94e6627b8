#include <boost/json/parse.hpp>

#include "api/handlers.h"

namespace probekeeper::api {
namespace {

std::vector<std::string_view> condition_words() {
    std::vector<std::string_view> words;
    for (std::size_t i = 0; i < document::condition_count; ++i) {
        words.push_back(diagnosis::to_word(static_cast<diagnosis::Condition>(i)));
    }
    return words;
}

}  // namespace

Response list_probes(Call const& call, Backend& backend) {
    ProbeFilter filter;
    filter.site = call.query.id("site");
    filter.sites = call.caller.sites;
    if (auto const place = call.query.word("condition", condition_words())) {
        filter.condition = static_cast<diagnosis::Condition>(*place);
    }
    return list_response(value_of(call, backend.probes(filter, call.query.page())));
}

Response show_probe(Call const& call, Backend& backend) {
    return json_response(to_json(value_of(call, backend.probe(call.ids[0]))));
}

Response show_diagnosis(Call const& call, Backend& backend) {
    Response response;
    response.body = value_of(call, backend.diagnosis(call.ids[0]));
    return response;
}

// A part of the diagnosis as it was kept: a probe that is gone is answered for too.
Response show_suitability(Call const& call, Backend& backend) {
    auto const diagnosis = boost::json::parse(value_of(call, backend.diagnosis(call.ids[0]))).as_object();
    auto const* const suitability = diagnosis.if_contains(document::suitability_member);
    if (suitability == nullptr || !suitability->is_object()) {
        throw Problem{
            ProblemType::not_found, "of this probe nothing of the kind was learned before it left", {}, {}};
    }
    boost::json::object out{{"probe", diagnosis.at("probe")}, {"at", diagnosis.at("at")}};
    for (auto const& [name, value] : suitability->as_object()) {
        out[name] = value;
    }
    return json_response(out);
}

Response list_response_tests(Call const& call, Backend& backend) {
    auto const page =
        value_of(call, backend.response_tests(call.ids[0], call.query.time("from"), call.query.page()));
    return list_response(page);
}

}  // namespace probekeeper::api
