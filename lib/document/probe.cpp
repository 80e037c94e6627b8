#include "document/probe.h"

#include "document/diagnosis.h"
#include "document/number.h"
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
