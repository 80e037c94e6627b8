// A technician's visit to one probe: out of the water, zero check, a new membrane that settles in air, zero
// check again, calibration in air, back into the water. 42 minutes.
#pragma once

#include <optional>

#include "base/time.h"
#include "physics/probe.h"

namespace probekeeper::estate {

enum class Stage { before, found_in_air, found_in_zero, settling_in_air, left_in_zero, calibrating, after };

class Visit {
public:
    explicit Visit(Timestamp begins) : begins_{begins} {}

    [[nodiscard]] Stage stage_at(Timestamp now) const;
    // When the stage begins; `before` begins never.
    [[nodiscard]] Timestamp begin_of(Stage stage) const;

    [[nodiscard]] static bool in_hand(Stage stage) { return stage != Stage::before && stage != Stage::after; }
    [[nodiscard]] static physics::Place place(Stage stage);

private:
    Timestamp begins_;
};

// One line of the technician's notes, as the service CSV has it.
struct Job {
    Timestamp time{};
    std::size_t probe = 0;
    std::string_view kind;
    std::optional<double> dry_zero_found_mg_l, dry_zero_mg_l, air_percent;
};

}  // namespace probekeeper::estate
