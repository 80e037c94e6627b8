// How a probe wears over the weeks: the Wear of any day in a membrane's life.
#pragma once

#include <optional>

#include "physics/probe.h"

namespace probekeeper::physics {

// Something that begins on a day and grows: 0 before `from_day`, 1 after `over_days` more, on by the same
// law.
struct Growth {
    double from_day = 0.0;
    double over_days = 30.0;
    double power = 1.0;  // 1 linear; above 1 accelerating
    double most = 1e9;   // never beyond this

    [[nodiscard]] double at(double day) const;
    // The day on which at() reaches `level`; none where it never does.
    [[nodiscard]] std::optional<double> reaches(double level) const;
};

// Amounts are what is added to a fresh probe where the Growth beside them is 1. Days count from the membrane.
struct Ageing {
    double coating = 0.0;  // 1.0: T90 doubled
    Growth coating_growth;
    double film_t90_s = 0.0;  // per full growth since the last wipe
    Growth film_growth;
    double wiped_every_days = 0.0;  // 0: never
    double wipe_leaves = 0.1;       // of the film
    double background_mg_l = 0.0;
    Growth background_growth;
    double background_fresh_mg_l = 0.0;
    double span = 0.0;  // 0.08: 8 % too much
    Growth span_growth;
    double wrinkle = 0.0;
    Growth wrinkle_growth;
    double cleaning_lost = 0.0;  // 1.0: blasts reach nothing
    Growth cleaning_growth;
    std::optional<double> pierced_on_day;  // level and noise jump
    double pierced_span = 0.4, pierced_wrinkle = 0.03, pierced_background_mg_l = 0.3;
    std::optional<double> dry_on_day, stuck_on_day;

    [[nodiscard]] Wear wear_at(double day) const;
};

}  // namespace probekeeper::physics
