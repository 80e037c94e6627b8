#include "api/handlers.h"
#include "base/text.h"
#include "document/number.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

json::array texts(std::vector<std::string> const& all) {
    json::array out;
    for (auto const& text : all) {
        out.emplace_back(text);
    }
    return out;
}

json::object written_record(service::KeptRecord const& record) {
    return document::to_json(record);
}

json::object written_taken(TakenRecord const& taken) {
    auto out = document::to_json(taken.kept);
    out["questions"] = texts(taken.questions);
    out["still_to_do"] = texts(taken.still_to_do);
    return out;
}

json::object written_row(RecordSheet::Row const& row) {
    std::string_view const result = !row.taken ? "refused" : row.taken->repeated ? "repeated" : "kept";
    return {{"line", row.line},
            {"result", result},
            {"message", document::text_or_null(row.refused)},
            {"record", row.taken ? json::value(written_taken(*row.taken)) : json::value(nullptr)}};
}

json::object written_sheet(RecordSheet const& sheet) {
    json::array items;
    std::uint64_t kept = 0, repeated = 0;
    for (auto const& row : sheet.rows) {
        kept += row.taken && !row.taken->repeated ? 1U : 0U;
        repeated += row.taken && row.taken->repeated ? 1U : 0U;
        items.emplace_back(written_row(row));
    }
    return {{"rows", sheet.rows.size()},
            {"kept", kept},
            {"repeated", repeated},
            {"refused", sheet.rows.size() - kept - repeated},
            {"items", std::move(items)}};
}

}  // namespace

Response list_service_records(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.service_records(call.ids[0], call.query.page())));
}

Response add_service_record(Call const& call, Backend& backend) {
    auto const record = document::parse_record(call.body, call.ids[0], call.now);
    if (!record) {
        throw invalid_fields(record.error());
    }
    auto const taken =
        value_of(call, backend.add_record(*record, keep<TakenRecord>(call, 201, &written_taken)));
    return json_response(written_taken(taken), 201);
}

Response add_service_records(Call const& call, Backend& backend) {
    auto const sheet = value_of(call, backend.add_records(call.text, call.caller.sites,
                                                          keep<RecordSheet>(call, 200, &written_sheet)));
    return json_response(written_sheet(sheet));
}

Response void_service_record(Call const& call, Backend& backend) {
    constexpr std::size_t longest_name = 200;
    document::Fields fields{call.body, {"why", "by"}};
    auto const why = fields.required_text("why");
    auto const by = fields.text("by", longest_name);
    if (!fields.errors().empty()) {
        throw invalid_fields(fields.errors());
    }
    // What is no number names no record either.
    auto const number = parse_integer(call.ids[1]).value_or(0);
    auto const voided =
        value_of(call, backend.void_record(call.ids[0], number, by.empty() ? call.caller.name : by, why,
                                           keep<service::KeptRecord>(call, 200, &written_record)));
    return json_response(written_record(voided));
}

}  // namespace probekeeper::api
