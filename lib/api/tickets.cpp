#include "api/handlers.h"
#include "base/date.h"

namespace probekeeper::api {
namespace {

using service::Ticket;
using service::TicketBook;

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

template <typename Take>
Response step(Call const& call, Backend& backend, Take const& take) {
    auto const& id = call.ids[0];
    auto const ticket =
        value_of(call, backend.step(
                           id, [&](TicketBook& book, Timestamp at) { return take(book, id, at); },
                           keep<Ticket>(call, 200, &written)));
    return json_response(written(ticket));
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
    return step(call, backend, [&](TicketBook& book, std::string const& id, Timestamp at) {
        return book.acknowledge(id, by, note, at);
    });
}

Response plan_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "date", "assigned_to"}};
    auto const by = fields.required_text("by", longest_name);
    auto const date = parse_date(fields.required_text("date"));
    auto const assigned_to = fields.text("assigned_to", longest_name);
    if (!date) {
        fields.refuse("date", "must be a day such as 2026-03-01");
    }
    check(fields);
    return step(call, backend, [&](TicketBook& book, std::string const& id, Timestamp at) {
        return book.plan(id, by, *date, assigned_to, at);
    });
}

Response postpone_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "until", "why"}};
    auto const by = fields.required_text("by", longest_name);
    auto const until = fields.time("until");
    auto const why = fields.required_text("why");
    if (!until && fields.errors().empty()) {
        fields.refuse("until", "is missing; it must be a time such as 2026-03-01T06:00:00Z");
    }
    check(fields);
    return step(call, backend, [&](TicketBook& book, std::string const& id, Timestamp at) {
        return book.postpone(id, by, *until, why, at);
    });
}

Response visit_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "outcome"}};
    auto const by = fields.required_text("by", longest_name);
    auto const outcome =
        service::outcome_of(fields.required_word("outcome", words(service::Outcome::waiting_customer)));
    check(fields);
    return step(call, backend, [&](TicketBook& book, std::string const& id, Timestamp at) {
        return book.visit(id, by, outcome.value(), at);
    });
}

Response close_ticket(Call const& call, Backend& backend) {
    document::Fields fields{call.body, {"by", "found", "note"}};
    auto const by = fields.required_text("by", longest_name);
    auto const found = service::found_of(fields.required_word("found", words(service::Found::not_looked)));
    auto const note = fields.text("note");
    check(fields);
    return step(call, backend, [&](TicketBook& book, std::string const& id, Timestamp at) {
        return book.close(id, by, found.value(), note, at);
    });
}

Response see_ticket(Call const& call, Backend& backend) {
    document::Fields const fields{call.body, {}};
    check(fields);
    return step(call, backend,
                [](TicketBook& book, std::string const& id, Timestamp at) { return book.seen(id, at); });
}

}  // namespace probekeeper::api
