#include "api/handlers.h"

namespace probekeeper::api {
namespace {

using service::Ticket;

constexpr std::size_t longest_name = 200;

// The words of an enum whose last value is `last`.
template <typename Enum>
std::vector<std::string_view> words(Enum last) {
    std::vector<std::string_view> out;
    for (int i = 0; i <= static_cast<int>(last); ++i) {
        out.push_back(to_word(static_cast<Enum>(i)));
    }
    return out;
}

boost::json::object written(Ticket const& ticket) {
    return document::to_json(ticket);
}

void check(document::Fields const& fields) {
    if (!fields.errors().empty()) {
        throw invalid_fields(fields.errors());
    }
}

}  // namespace

Response list_tickets(Call const& call, Backend& backend) {
    TicketFilter filter;
    filter.site = call.query.id("site");
    filter.probe = call.query.id("probe");
    if (auto const place = call.query.word("state", words(service::State::withdrawn))) {
        filter.state = static_cast<service::State>(*place);
    }
    if (auto const place = call.query.word("reason", words(diagnosis::Reason::verification_due))) {
        filter.reason = static_cast<diagnosis::Reason>(*place);
    }
    return list_response(value_of(call, backend.tickets(filter, call.query.page())));
}

Response show_ticket(Call const& call, Backend& backend) {
    return json_response(written(value_of(call, backend.ticket(call.ids[0]))));
}

Response acknowledge_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "note"}};
    auto const by = fields.required_text("by", longest_name);
    auto const note = fields.text("note");
    check(fields);
    auto const ticket =
        value_of(call, backend.acknowledge(call.ids[0], by, note, keep<Ticket>(call, 200, &written)));
    return json_response(written(ticket));
}

Response close_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "found", "note"}};
    auto const by = fields.required_text("by", longest_name);
    auto const found = service::found_of(fields.required_word("found", words(service::Found::not_looked)));
    auto const note = fields.text("note");
    check(fields);
    auto const ticket = value_of(
        call, backend.close(call.ids[0], by, found.value(), note, keep<Ticket>(call, 200, &written)));
    return json_response(written(ticket));
}

}  // namespace probekeeper::api
