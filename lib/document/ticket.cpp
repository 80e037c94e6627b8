#include "document/ticket.h"

#include <boost/json/array.hpp>
#include <string>
#include <vector>

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;
using service::Ticket;

json::object written(service::TicketReason const& reason) {
    auto const& f = reason.finding;
    return {{"code", diagnosis::to_word(f.reason)},
            {"raised_at", time(f.raised_at)},
            {"since", time(f.since)},
            {"cleared_at", time(reason.cleared_at)},
            {"value", number(f.value)},
            {"low", number(f.low)},
            {"high", number(f.high)},
            {"limit", number(f.limit)},
            {"unit", text_or_null(f.unit)},
            {"probability", number(f.probability)},
            {"text", f.text}};
}

// A part that comes in one kind only has no "kind".
json::object written(service::Part const& part) {
    json::object out{{"part", part.part}};
    if (!part.kind.empty()) {
        out["kind"] = part.kind;
    }
    out["quantity"] = part.quantity;
    return out;
}

json::object written(service::HistoryEntry const& entry) {
    return {{"at", time(entry.at)},
            {"state", service::to_word(entry.state)},
            {"by", entry.by},
            {"note", text_or_null(entry.note)}};
}

json::object written(service::ProofFigure const& f) {
    return {{"quantity", f.quantity},
            {"before", number(f.before)},
            {"after", number(f.after)},
            {"limit", number(f.limit)},
            {"unit", f.unit}};
}

json::value written(std::string const& text) {
    return json::value(text);
}

template <typename T>
json::array list(std::vector<T> const& items) {
    json::array out;
    out.reserve(items.size());
    for (auto const& item : items) {
        out.push_back(written(item));
    }
    return out;
}

json::value written(std::optional<service::Proof> const& proof) {
    if (!proof) {
        return nullptr;
    }
    return json::object{{"at", time(proof->at)},
                        {"work_at", time(proof->work)},
                        {"restored", proof->restored},
                        {"text", proof->text},
                        {"figures", list(proof->figures)}};
}

}  // namespace

json::object to_json(Ticket const& t) {
    return {{"id", t.id},
            {"number", t.number},
            {"site", t.site},
            {"probe", t.probe},
            {"state", service::to_word(t.state)},
            {"urgency", service::to_word(t.urgency)},
            {"opened_at", time(t.opened_at)},
            {"updated_at", time(t.updated_at)},
            {"due", time(t.due)},
            {"postponed_until", time(t.postponed_until)},
            {"planned_for", t.planned_for ? json::value(to_text(*t.planned_for)) : json::value(nullptr)},
            {"assigned_to", text_or_null(t.assigned_to.value_or(""))},
            {"seen", time(t.seen)},
            {"found", t.found ? json::value(service::to_word(*t.found)) : json::value(nullptr)},
            {"reasons", list(t.reasons)},
            {"work", list(t.work)},
            {"meanwhile", text_or_null(t.meanwhile)},
            {"parts", list(t.parts)},
            {"cautions", list(t.cautions)},
            {"history", list(t.history)},
            {"proof", written(t.proof)}};
}

namespace {

service::TicketReason reason_from(json::object const& object) {
    service::TicketReason reason;
    auto& f = reason.finding;
    f.reason = word_in(object, "code", diagnosis::reason_of);
    f.raised_at = time_in(object, "raised_at");
    f.since = maybe_time_in(object, "since");
    reason.cleared_at = maybe_time_in(object, "cleared_at");
    f.value = maybe_number_in(object, "value");
    f.low = maybe_number_in(object, "low");
    f.high = maybe_number_in(object, "high");
    f.limit = maybe_number_in(object, "limit");
    f.unit = text_in(object, "unit");
    f.probability = number_in(object, "probability");
    f.text = text_in(object, "text");
    return reason;
}

service::HistoryEntry entry_from(json::object const& object) {
    return {time_in(object, "at"), word_in(object, "state", service::state_of), text_in(object, "by"),
            text_in(object, "note")};
}

service::ProofFigure figure_from(json::object const& object) {
    return {text_in(object, "quantity"), maybe_number_in(object, "before"), maybe_number_in(object, "after"),
            maybe_number_in(object, "limit"), text_in(object, "unit")};
}

service::Proof proof_from(json::object const& object) {
    return {time_in(object, "at"), time_in(object, "work_at"), object.at("restored").as_bool(),
            text_in(object, "text"), all_in(object, "figures", figure_from)};
}

Ticket ticket_from(json::object const& object) {
    Ticket t;
    t.id = text_in(object, "id");
    t.number = object.at("number").to_number<std::int64_t>();
    t.site = text_in(object, "site");
    t.probe = text_in(object, "probe");
    t.state = word_in(object, "state", service::state_of);
    t.urgency = word_in(object, "urgency", service::urgency_of);
    t.opened_at = time_in(object, "opened_at");
    t.updated_at = time_in(object, "updated_at");
    t.due = maybe_time_in(object, "due");
    t.postponed_until = maybe_time_in(object, "postponed_until");
    if (!object.at("planned_for").is_null()) {
        t.planned_for = date_in(object, "planned_for");
    }
    t.assigned_to = maybe_text_in(object, "assigned_to");
    t.seen = maybe_time_in(object, "seen");
    if (!object.at("found").is_null()) {
        t.found = word_in(object, "found", service::found_of);
    }
    t.reasons = all_in(object, "reasons", reason_from);
    t.work = texts_in(object, "work");
    t.meanwhile = text_in(object, "meanwhile");
    t.parts = all_in(object, "parts", part_of);
    t.cautions = texts_in(object, "cautions");
    t.history = all_in(object, "history", entry_from);
    if (!object.at("proof").is_null()) {
        t.proof = proof_from(object.at("proof").as_object());
    }
    return t;
}

}  // namespace

service::Part part_of(json::object const& object) {
    auto const* const kind = object.if_contains("kind");
    return {text_in(object, "part"), kind != nullptr ? std::string{kind->as_string()} : std::string{},
            static_cast<int>(object.at("quantity").as_int64())};
}

std::optional<Ticket> ticket_of(std::string_view text) {
    return read_document(text, ticket_from);
}

}  // namespace probekeeper::document
