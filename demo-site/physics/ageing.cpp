#include "physics/ageing.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::physics {

double Growth::at(double day) const {
    double const part = (day - from_day) / over_days;
    return part <= 0.0 ? 0.0 : std::min(most, std::pow(part, power));
}

std::optional<double> Growth::reaches(double level) const {
    if (level > most) {
        return std::nullopt;
    }
    return from_day + over_days * std::pow(std::max(0.0, level), 1.0 / power);
}

Wear Ageing::wear_at(double day) const {
    Wear wear;
    wear.coating = 1.0 + coating * coating_growth.at(day);
    if (film_t90_s > 0.0) {
        // The saw-tooth: what had grown by the last wipe is gone but for what a wipe leaves.
        double const last_wipe =
            wiped_every_days > 0.0 ? std::floor(day / wiped_every_days) * wiped_every_days : 0.0;
        double const wiped_off = last_wipe > 0.0 ? (1.0 - wipe_leaves) * film_growth.at(last_wipe) : 0.0;
        wear.film_t90_s = film_t90_s * (film_growth.at(day) - wiped_off);
    }
    wear.background_mg_l = background_fresh_mg_l + background_mg_l * background_growth.at(day);
    wear.span = 1.0 + span * span_growth.at(day);
    wear.wrinkle = wrinkle * wrinkle_growth.at(day);
    wear.cleaning_reach = 1.0 - std::min(1.0, cleaning_lost * cleaning_growth.at(day));
    if (pierced_on_day && day >= *pierced_on_day) {
        wear.span += pierced_span;
        wear.wrinkle += pierced_wrinkle;
        wear.background_mg_l += pierced_background_mg_l;
    }
    wear.dry = dry_on_day && day >= *dry_on_day;
    wear.stuck = stuck_on_day && day >= *stuck_on_day;
    return wear;
}

}  // namespace probekeeper::physics
