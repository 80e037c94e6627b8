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

Response list_response_tests(Call const& call, Backend& backend) {
    auto const page =
        value_of(call, backend.response_tests(call.ids[0], call.query.time("from"), call.query.page()));
    return list_response(page);
}

}  // namespace probekeeper::api
