#include "document/ticket.h"

#include <boost/json/array.hpp>
#include <string>
#include <vector>

#include "document/number.h"

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

}  // namespace probekeeper::document
