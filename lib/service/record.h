// Service records: what a person did to a probe, and what the instruments read while it was done.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "base/time.h"

namespace probekeeper::service {

enum class Work : std::uint8_t {
    membrane_change,
    membrane_wipe,
    electrode_clean,
    air_calibration,
    reference_check,
    probe_swap,
    moved,
    settings_change,
    inspection
};
[[nodiscard]] std::string_view to_word(Work w);
[[nodiscard]] std::optional<Work> work_of(std::string_view word);

struct Record {
    Timestamp time{};
    std::string probe;
    Work kind = Work::inspection;
    std::optional<double> dry_zero_mg_l;        // the last dry zero of the visit, as left
    std::optional<double> dry_zero_found_mg_l;  // the first
    std::optional<double> air_percent;          // settled in air before it was set to 100 %, as found
    std::optional<double> reference_mg_l, reference_percent;  // the portable meter's reading
    std::optional<double> probe_mg_l;                         // the probe's beside it
    std::optional<double> pressure_hpa;
    std::string serial, visit, by, note;
    bool operator==(Record const&) const = default;
};

// A record as kept: with the number the store gave it.
struct KeptRecord {
    std::int64_t number = 0;
    Record record;
    std::optional<Timestamp> voided_at;
    std::string void_why, void_by;
};

}  // namespace probekeeper::service
