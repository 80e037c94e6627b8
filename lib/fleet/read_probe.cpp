#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

constexpr std::pair<std::string_view, Use> uses[] = {
    {"control", Use::control}, {"alarm", Use::alarm}, {"monitor", Use::monitor}};

// Either a line with unit and register map, or a site alone: then readings come from CSV only.
void read_source(Section& section, WrittenProbe& written) {
    written.line = section.located_text("line");
    if (section.has("line")) {
        written.register_map = section.located_text("register_map");
        if (auto const unit = section.integer("unit", 0, 255)) {
            written.probe.unit = static_cast<int>(*unit);
            written.unit = section.where("unit");
        }
        section.refuse("site", "the site of a probe with `line` is its line's");
        section.need({"unit", "register_map"});
        return;
    }
    written.site = section.located_text("site");
    for (auto const* key : {"unit", "register_map"}) {
        section.refuse(key, "only a probe with `line` has it");
    }
    if (!section.has("site")) {
        section.wrong("", section.name() + " needs `line`, or `site` where it is fed by CSV only");
    }
}

}  // namespace

WrittenProbe read_probe(Section& section) {
    WrittenProbe written;
    written.where = section.where();
    written.id = section.id("id");
    auto& probe = written.probe;
    probe.id = written.id ? written.id->value : "";
    read_source(section, written);
    probe.location = section.text("location").value_or("");
    probe.use = section.word<Use>("use", uses).value_or(Use::monitor);
    probe.serial = section.text("serial").value_or("");
    probe.membrane = section.text("membrane").value_or("");
    probe.poll_s = section.number("poll_s", 0.1, 3600.0).value_or(5.0);
    probe.t90_s = section.number("t90_s", 1.0, 3600.0);
    probe.salinity_psu = section.number("salinity_psu", 0.0, 50.0);
    probe.transmitter_salinity_psu = section.number("transmitter_salinity_psu", 0.0, 50.0);
    written.neighbours = section.texts("neighbours");
    if (auto limits = section.table("limits", "[probe.limits]")) {
        written.limits = read_limits(*limits);
    }
    section.need({"id"});
    section.finish();
    return written;
}

}  // namespace probekeeper::fleet
