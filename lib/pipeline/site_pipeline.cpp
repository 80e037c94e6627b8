#include "pipeline/site_pipeline.h"

#include <algorithm>

#include "pipeline/coating.h"
#include "pipeline/setup_of.h"

namespace probekeeper::pipeline {
namespace {

using Absences = std::vector<diagnosis::Absence>;

// The first instant that one of both has absent and the other has not.
std::optional<Timestamp> first_difference(Absences const& a, Absences const& b) {
    auto const [in_a, in_b] = std::mismatch(a.begin(), a.end(), b.begin(), b.end());
    if (in_a == a.end() || in_b == b.end()) {
        return in_a != a.end()   ? std::optional{in_a->from}
               : in_b != b.end() ? std::optional{in_b->from}
                                 : std::nullopt;
    }
    return in_a->from != in_b->from ? std::min(in_a->from, in_b->from) : std::min(in_a->until, in_b->until);
}

}  // namespace

SitePipeline::SitePipeline(fleet::Fleet const& fleet, fleet::SiteIndex site, service::TicketBook book,
                           Sink& sink)
    : sink_{sink},
      site_{fleet.sites[site].id},
      probes_{probes_of(fleet, site)},
      told_(probes_.size()),
      absences_(probes_.size()),
      instruments_{configured_serials(fleet), {}},
      diagnosis_{setup_of(fleet, site)},
      book_{std::move(book)} {
    for (auto const probe : probes_) {
        facts_.push_back(facts_of(fleet, probe));
        positions_[facts_.back().id] = {site_, facts_.back().membrane, facts_.back().site_kind};
    }
}

std::size_t SitePipeline::place_of(fleet::ProbeIndex probe) const {
    // Both orders are by id, so the list of a site's probes is sorted.
    return static_cast<std::size_t>(std::lower_bound(probes_.begin(), probes_.end(), probe) -
                                    probes_.begin());
}

void SitePipeline::take(fleet::ProbeIndex probe, Reading const& reading) {
    apply_records_until(reading.time);
    diagnosis_.take(place_of(probe), reading, *this);
}

void SitePipeline::advance(Timestamp now) {
    apply_records_until(now);
    diagnosis_.advance(now, *this);
}

bool SitePipeline::record(service::Record const& record) {
    if (record.time <= now()) {
        return false;
    }
    auto const behind = std::upper_bound(to_come_.begin(), to_come_.end(), record,
                                         [](auto const& a, auto const& b) { return a.time < b.time; });
    to_come_.insert(behind, record);
    return true;
}

void SitePipeline::know_records(std::vector<service::KeptRecord> of_site) {
    records_ = std::move(of_site);
    std::stable_sort(records_.begin(), records_.end(),
                     [](auto const& a, auto const& b) { return a.record.time < b.record.time; });
}

std::optional<Timestamp> SitePipeline::out_of_use(std::span<service::OutOfUse const> told) {
    std::optional<Timestamp> changed_from;
    for (std::size_t place = 0; place < probes_.size(); ++place) {
        auto const now = service::absences_of(told, site_, facts_[place].id);
        if (auto const differs = first_difference(absences_[place], now)) {
            changed_from = std::min(changed_from.value_or(*differs), *differs);
        }
        absences_[place] = now;
        diagnosis_.out_of_use(place, now);
    }
    return changed_from;
}

diagnosis::Handling SitePipeline::handling(std::size_t place, service::Record const& record) const {
    auto handling = handling_of(record, instruments_, facts_);
    if (record.kind == service::Work::membrane_change || record.kind == service::Work::probe_swap) {
        handling.coating = coating_of(record.probe, diagnosis_.setup().probes[place].limits.t90_ratio,
                                      record.time, records_, instruments_, positions_, book_);
    }
    return handling;
}

void SitePipeline::apply_records_until(Timestamp time) {
    while (!to_come_.empty() && to_come_.front().time <= time) {
        auto const record = std::move(to_come_.front());
        to_come_.pop_front();
        for (std::size_t place = 0; place < probes_.size(); ++place) {
            if (facts_[place].id != record.probe) {
                continue;
            }
            diagnosis_.handle(place, handling(place, record), *this);
            if (!tickets_held_) {
                for (auto const& ticket : book_.record(record)) {
                    sink_.ticket(ticket);
                }
            }
        }
    }
}

bool SitePipeline::rewind(std::string_view checkpoint) {
    auto fresh = diagnosis::SiteDiagnosis{diagnosis_.setup()};
    if (!checkpoint.empty() && !fresh.restore(checkpoint)) {
        return false;
    }
    diagnosis_ = std::move(fresh);
    for (std::size_t place = 0; place < probes_.size(); ++place) {
        diagnosis_.out_of_use(place, absences_[place]);
    }
    to_come_.clear();
    // What was told by then, so that feeding again calls a change what was one the first time.
    for (std::size_t place = 0; place < probes_.size(); ++place) {
        told_[place] = told_by(diagnosis_.verdict(place));
    }
    return true;
}

SitePipeline::Told SitePipeline::told_by(diagnosis::Diagnosis const& diagnosis) {
    Told told{diagnosis.condition, {}};
    for (auto const& finding : diagnosis.findings) {
        told.reasons.push_back(finding.reason);
    }
    return told;
}

void SitePipeline::settle_tickets() {
    tickets_held_ = false;
    for (std::size_t place = 0; place < probes_.size(); ++place) {
        consider(place, diagnosis_.verdict(place));
    }
}

diagnosis::Diagnosis SitePipeline::verdict(fleet::ProbeIndex probe) const {
    return diagnosis_.verdict(place_of(probe));
}

void SitePipeline::tested(std::size_t place, diagnosis::ResponseTest const& test) {
    sink_.tested(probes_[place], test);
}

void SitePipeline::weighed(std::size_t place, diagnosis::Diagnosis const& diagnosis) {
    auto now = told_by(diagnosis);
    // History has one a day at least: charts show how a quantity came to where it is.
    bool const midnight = diagnosis.at == std::chrono::floor<std::chrono::days>(diagnosis.at);
    bool const changed = midnight || now != told_[place];
    told_[place] = std::move(now);
    sink_.weighed(probes_[place], diagnosis, changed);
    if (!tickets_held_) {
        consider(place, diagnosis);
    }
}

void SitePipeline::service_changed(std::size_t place, diagnosis::ServiceChange const& change) {
    sink_.service_changed(probes_[place], change);
}

void SitePipeline::consider(std::size_t place, diagnosis::Diagnosis const& diagnosis) {
    for (auto const& ticket : book_.consider(facts_[place], diagnosis)) {
        sink_.ticket(ticket);
    }
}

}  // namespace probekeeper::pipeline
