#include "service/questions.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

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

}  // namespace

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
