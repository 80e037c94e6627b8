#include "pipeline/setup_of.h"

#include <algorithm>

namespace probekeeper::pipeline {
namespace {

diagnosis::Limits limits_of(fleet::Limits const& from) {
    diagnosis::Limits to;
    to.t90_ratio = from.t90_ratio;
    to.background_mg_l = from.background_mg_l;
    to.background_water_mg_l = from.background_water_mg_l;
    to.fluctuation_ratio = from.fluctuation_ratio;
    to.span_percent = from.span_percent;
    to.span_measured_percent = from.span_measured_percent;
    to.reference_percent = from.reference_percent;
    to.reference_mg_l = from.reference_mg_l;
    to.no_reading_minutes = from.no_reading_minutes;
    to.no_reading_ticket_minutes = from.no_reading_ticket_minutes;
    to.evidence_days = from.evidence_days;
    to.horizon_days = from.horizon_days;
    return to;
}

bool pressure_measured(fleet::Fleet const& fleet, fleet::Probe const& probe) {
    return probe.register_map && fleet.register_maps[*probe.register_map].pressure.has_value();
}

diagnosis::Act act_of(service::Work work) {
    switch (work) {
        case service::Work::membrane_change:
            return diagnosis::Act::membrane_change;
        case service::Work::membrane_wipe:
            return diagnosis::Act::membrane_wipe;
        case service::Work::electrode_clean:
            return diagnosis::Act::electrode_clean;
        case service::Work::air_calibration:
            return diagnosis::Act::air_calibration;
        case service::Work::reference_check:
            return diagnosis::Act::reference_check;
        case service::Work::probe_swap:
            return diagnosis::Act::probe_swap;
        case service::Work::moved:
            return diagnosis::Act::moved;
        case service::Work::settings_change:
            return diagnosis::Act::settings_change;
        case service::Work::inspection:
            return diagnosis::Act::inspection;
    }
    return diagnosis::Act::inspection;
}

}  // namespace

std::vector<fleet::ProbeIndex> probes_of(fleet::Fleet const& fleet, fleet::SiteIndex site) {
    std::vector<fleet::ProbeIndex> probes;
    for (fleet::ProbeIndex i = 0; i < fleet.probes.size(); ++i) {
        if (fleet.probes[i].site == site) {
            probes.push_back(i);
        }
    }
    return probes;
}

diagnosis::SiteSetup setup_of(fleet::Fleet const& fleet, fleet::SiteIndex site) {
    diagnosis::SiteSetup setup;
    setup.id = fleet.sites[site].id;
    auto const probes = probes_of(fleet, site);
    for (auto const index : probes) {
        auto const& probe = fleet.probes[index];
        diagnosis::ProbeSetup p;
        p.id = probe.id;
        p.poll_s = probe.poll_s;
        p.t90_s = probe.t90_s;
        p.line = probe.line ? std::size_t{*probe.line} : diagnosis::ProbeSetup::no_line;
        p.pressure_measured = pressure_measured(fleet, probe);
        p.limits = limits_of(probe.limits);
        for (auto const neighbour : probe.neighbours) {
            auto const at = std::lower_bound(probes.begin(), probes.end(), neighbour);
            p.neighbours.push_back(static_cast<std::size_t>(at - probes.begin()));
        }
        setup.probes.push_back(std::move(p));
    }
    return setup;
}

service::ProbeFacts facts_of(fleet::Fleet const& fleet, fleet::ProbeIndex index) {
    auto const& probe = fleet.probes[index];
    service::ProbeFacts facts;
    facts.id = probe.id;
    facts.use = probe.use;
    facts.membrane = probe.membrane;
    facts.site_kind = fleet.sites[probe.site].kind;
    return facts;
}

diagnosis::Handling handling_of(service::Record const& record, service::Instruments const& instruments,
                                std::vector<service::ProbeFacts> const& places) {
    diagnosis::Handling handling;
    handling.time = record.time;
    handling.act = act_of(record.kind);
    handling.dry_zero_mg_l = record.dry_zero_mg_l;
    handling.air_percent = record.air_percent;
    handling.reference_mg_l = record.reference_mg_l;
    handling.reference_percent = record.reference_percent;
    handling.probe_mg_l = record.probe_mg_l;
    if (record.kind == service::Work::probe_swap) {
        auto const before = record.time - Millis{1};
        handling.left = instruments.serial_at(record.probe, before);
        handling.came = record.serial;
        for (std::size_t place = 0; place < places.size() && !record.serial.empty(); ++place) {
            if (instruments.serial_at(places[place].id, before) == record.serial) {
                handling.came_from = place;
            }
        }
    }
    return handling;
}

std::map<std::string, std::string> configured_serials(fleet::Fleet const& fleet) {
    std::map<std::string, std::string> serials;
    for (auto const& probe : fleet.probes) {
        if (!probe.serial.empty()) {
            serials.emplace(probe.id, probe.serial);
        }
    }
    return serials;
}

}  // namespace probekeeper::pipeline
