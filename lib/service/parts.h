// What a contractor will need of parts in the coming weeks, out of tickets, forecasts and the lives of
// membranes.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "estimate/survival.h"
#include "service/ticket.h"

namespace probekeeper::service {

inline constexpr int most_weeks = 52;

// What is known of one probe's next membrane.
struct NextMembrane {
    std::string probe, membrane;  // the kind it takes; may be empty
    // The unfinished ticket asks for one and nobody has been there yet: its day, or none where it has none.
    bool asked_for = false;
    std::optional<Timestamp> due;
    std::optional<diagnosis::Forecast> forecast;
    std::optional<double> age_days;  // of the membrane in use; none: nobody recorded it
    estimate::Weibull lasts;         // membranes of its kind in such water
};

struct PartNeed {
    std::string part, kind;  // as on tickets; the kind of a membrane only
    double asked_for = 0.0;  // by tickets, in the unit of the part
    double expected = 0.0;   // in all: tickets, forecasts and ages
    int stock = 0;           // enough with 90 % probability
};

struct WeekNeed {
    Timestamp from{}, until{};
    std::vector<PartNeed> parts;  // by kind of membrane, then what goes with it
};

struct PartsDemand {
    std::vector<WeekNeed> weeks;
    std::vector<PartNeed> total;
    int unknown_age = 0;  // probes counted as of a middle age, because nobody recorded their membrane
};

// For `weeks` (1 to most_weeks) weeks from `now`. A ticket is worked on in the week of its due day, or the
// next if it has none or is late; a forecast's day is normal within its interval; else the age of the
// membrane tells. Each probe is counted once. An o-ring and a filling of electrolyte go with every membrane.
[[nodiscard]] PartsDemand parts_demand(std::span<NextMembrane const> probes, Timestamp now, int weeks);

}  // namespace probekeeper::service
