#include "document/probe.h"

#include "document/diagnosis.h"
#include "document/number.h"
#include "document/read.h"
#include "document/readings.h"

namespace probekeeper::document {

namespace json = boost::json;

Probe probe_of(fleet::Fleet const& fleet, fleet::ProbeIndex index) {
    auto const& p = fleet.probes.at(index);
    Probe out;
    out.id = p.id;
    out.site = fleet.sites.at(p.site).id;
    if (p.line) {
        out.line = fleet.lines.at(*p.line).id;
        out.unit = p.unit;
    }
    out.location = p.location;
    out.use = p.use;
    out.serial = p.serial;
    return out;
}

std::optional<Probe> probe_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        Probe p;
        p.id = text_in(object, "id");
        p.site = text_in(object, "site");
        p.line = maybe_text_in(object, "line");
        if (!object.at("unit").is_null()) {
            p.unit = static_cast<int>(object.at("unit").as_int64());
        }
        p.location = text_in(object, "location");
        p.use = word_in(object, "use", by_word(fleet::Use::monitor));
        p.serial = text_in(object, "serial");
        p.condition = word_in(object, "condition", by_word(diagnosis::Condition::unknown));
        p.service_state = word_in(object, "service_state", by_word(diagnosis::ServiceState::out_of_use));
        p.open_ticket = maybe_text_in(object, "open_ticket");
        if (auto const& last = object.at("last_reading"); !last.is_null()) {
            p.last_reading = reading_of(last.as_object());
        }
        return p;
    });
}

json::object to_json(Probe const& p) {
    return {{"id", p.id},
            {"site", p.site},
            {"line", text_or_null(p.line.value_or(""))},
            {"unit", p.unit ? json::value(*p.unit) : json::value(nullptr)},
            {"location", text_or_null(p.location)},
            {"use", fleet::to_word(p.use)},
            {"serial", text_or_null(p.serial)},
            {"condition", diagnosis::to_word(p.condition)},
            {"ne107", ne107(p.condition)},
            {"service_state", diagnosis::to_word(p.service_state)},
            {"open_ticket", text_or_null(p.open_ticket.value_or(""))},
            {"last_reading", p.last_reading ? json::value(to_json(*p.last_reading)) : json::value(nullptr)}};
}

}  // namespace probekeeper::document
