#include "service/questions.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>

namespace probekeeper::service {
namespace {

bool takes_out_of_water(Work kind) {
    switch (kind) {
        case Work::membrane_change:
        case Work::membrane_wipe:
        case Work::electrode_clean:
        case Work::air_calibration:
        case Work::probe_swap:
            return true;
        case Work::reference_check:
        case Work::moved:
        case Work::settings_change:
        case Work::inspection:
            return false;
    }
    return false;
}

std::string wrong_probe(Record const& record, Around const& around) {
    std::vector<std::string> elsewhere;
    for (auto const& seen : around.seen) {
        if (seen.probe == record.probe) {
            return {};
        }
        bool const told =
            std::find(around.recorded.begin(), around.recorded.end(), seen.probe) != around.recorded.end();
        if (!told) {
            elsewhere.push_back(
                fmt::format("{} ({} to {})", seen.probe, to_rfc3339(seen.from), to_rfc3339(seen.until)));
        }
    }
    return elsewhere.empty()
               ? std::string{}
               : fmt::format(
                     "the readings show no handling of {} within {} hours of this record, but of {}: was "
                     "the work done there? If so, void this record and enter it for that probe",
                     record.probe, one_visit.count(), fmt::join(elsewhere, ", "));
}

// While it was in somebody's hands. Settling follows from records as well, and is no sign of handling.
void add_handling(std::string const& probe, std::vector<diagnosis::ServiceChange> const& changes,
                  Timestamp from, Timestamp until, std::vector<HandlingSeen>& out) {
    for (std::size_t i = 0; i < changes.size(); ++i) {
        if (changes[i].state != diagnosis::ServiceState::in_hand) {
            continue;
        }
        // One that goes on has been seen up to where it was last known.
        auto const end =
            i + 1 < changes.size() ? changes[i + 1].at : std::max(changes[i].known, changes[i].at);
        if (changes[i].at < until && end > from) {
            out.push_back({probe, changes[i].at, end});
        }
    }
}

}  // namespace

bool of_one_visit(Record const& a, Record const& b) {
    return std::chrono::abs(a.time - b.time) < one_visit || (!a.visit.empty() && a.visit == b.visit);
}

Around around(Record const& record, std::span<Record const* const> others, ServiceChanges const& seen,
              std::string serial) {
    Around out;
    out.serial = std::move(serial);
    for (auto const& [probe, changes] : seen) {
        add_handling(probe, changes, record.time - one_visit, record.time + one_visit, out.seen);
    }
    for (auto const* other : others) {
        bool const told =
            std::find(out.recorded.begin(), out.recorded.end(), other->probe) != out.recorded.end();
        if (other->probe != record.probe && !told && of_one_visit(*other, record)) {
            out.recorded.push_back(other->probe);
        }
    }
    return out;
}

std::vector<std::string> still_to_do(Record const& record, std::span<Record const* const> visit,
                                     double background_limit_mg_l) {
    std::vector<std::string> wanted;
    bool const calibrated = std::any_of(visit.begin(), visit.end(),
                                        [](Record const* r) { return r->kind == Work::air_calibration; });
    if (record.kind == Work::membrane_change && !calibrated) {
        wanted.emplace_back(
            "no calibration of this visit is recorded: calibrate the new membrane in air once it is at rest, "
            "and "
            "record that");
    }
    if (record.dry_zero_mg_l && std::abs(*record.dry_zero_mg_l) > background_limit_mg_l) {
        wanted.push_back(fmt::format(
            "it was left reading {:.2f} mg/L dry, and at most {:.2f} is right: clean the cathode again",
            *record.dry_zero_mg_l, background_limit_mg_l));
    }
    return wanted;
}

std::vector<std::string> questions_about(Record const& record, Around const& around) {
    std::vector<std::string> questions;
    if (takes_out_of_water(record.kind)) {
        if (auto question = wrong_probe(record, around); !question.empty()) {
            questions.push_back(std::move(question));
        }
    }
    bool const names_another =
        !record.serial.empty() && !around.serial.empty() && record.serial != around.serial;
    if (record.kind != Work::probe_swap && names_another) {
        questions.push_back(
            fmt::format("the record names instrument {}, and {} is in this position: was it "
                        "swapped? If so, a probe_swap record should say when",
                        record.serial, around.serial));
    }
    return questions;
}

}  // namespace probekeeper::service
