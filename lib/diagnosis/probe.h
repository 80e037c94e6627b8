// One probe: all that is known of it after some readings, and what that means. The state is trivially
// copyable, so that a checkpoint is its bytes and a restart changes no bit of any result; at most 24 KiB.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <initializer_list>
#include <limits>
#include <optional>
#include <type_traits>
#include <vector>

#include "base/reading.h"
#include "diagnosis/apart.h"
#include "diagnosis/background.h"
#include "diagnosis/capture.h"
#include "diagnosis/fluctuation.h"
#include "diagnosis/found.h"
#include "diagnosis/habits.h"
#include "diagnosis/handling.h"
#include "diagnosis/height.h"
#include "diagnosis/liveness.h"
#include "diagnosis/neighbour.h"
#include "diagnosis/service_watch.h"
#include "diagnosis/setup.h"
#include "diagnosis/span.h"
#include "diagnosis/tracker.h"
#include "diagnosis/trend.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

// So many blasts must have been seen to reach the membrane before it means anything that they no longer do,
// and so many in a row must then fail to, or fewer that last (weigh.cpp).
inline constexpr std::uint32_t fewest_blasts = 6;

struct ProbeState;

// What a probe shows to its neighbours.
struct Shown {
    bool alive = false;              // has given a good reading in the last minutes
    bool mute = false;               // what it gives is no water's: it has no signal, or is stuck
    double value = 0.0;              // newest reading over saturation, 0..1 and beyond
    double fluctuation_ratio = 0.0;  // of now against its own fresh or usual quiet value; 0: not known
    double movement_mg_l = 0.0;      // now, from one reading to the next; 0: not known
    bool loosens = false;            // what has come flutters behind its own membrane, nearly all of it
    double water_part = 1.0;         // of both, what is left without that
    double temperature_c = 0.0;      // NaN where not read
    std::int64_t leapt_ms = 0;       // since when its movement has leapt within hours; 0: it has not
    // Both live as long as the site is weighed.
    ProbeState const* state = nullptr;
    ProbeSetup const* setup = nullptr;
};

struct ProbeState {
    Capture capture;
    Trend trend;
    FoundLag found;
    NeighbourLag by_neighbours;
    BackgroundWatch background;
    FluctuationWatch fluctuation;
    SpanWatch span;
    LivenessWatch liveness;
    HeightWatch height;
    HabitsWatch habits;
    ApartWatch apart;
    ServiceWatch service;
    std::array<Tracker, reason_count> trackers{};

    std::int64_t first_ms = 0;            // of the first reading; 0: none yet
    std::int64_t last_ms = 0;             // of the newest good reading
    std::int64_t temperature_bad_ms = 0;  // since when the temperature has been impossible or contradicted
    std::int64_t checked_ms = 0;          // when a person last did what would let us say good
    std::int64_t dry_zero_ms = 0;         // of the newest dry zero check
    std::int64_t missed_since_ms = 0;     // of the blasts that were missed in a row, the first
    std::int64_t pressure_ms = 0;     // of the newest reading that came with the air's pressure; 0: none yet
    std::int64_t found_told_ms = 0;   // when found rises last told on which side of its limit it is; 0: never
    std::int64_t others_rich_ms = 0;  // since when its neighbours read oxygen; 0: they do not
    std::int64_t air_denied_ms = 0;   // when it last read no oxygen though the air was said to be on
    std::int64_t hour_ms = 0;         // when the slow-moving reasons were last weighed
    // As through a hole: since when it has moved, its floor and its height have been up, and its height
    // alone; 0: not.
    std::int64_t hole_by_movement_ms = 0, hole_by_floor_ms = 0, hole_by_height_ms = 0;
    std::int64_t absent_since_ms = 0;  // parked since then; 0: in use
    std::int64_t returned_ms = 0;      // from the newest absence; 0: there was none
    // Of the newest wipe of the membrane, and how long after the one before it; 0: there was none.
    std::int64_t wiped_ms = 0, wipe_every_ms = 0;
    // Of a hole that its height and its flutter told: it moves more than so much; 0: there is none.
    double hole_moves_mg_l = 0.0;
    double dry_zero_mg_l = 0.0;
    double background_mg_l = 0.0;  // as last known
    ZeroReading zero;              // what declines end in, as last known
    double last_value = 0.0;
    double last_saturation = 9.1;
    double last_temperature_c = 0.0;
    double plausible_temperature_c = 20.0;  // the newest that water can have
    // Of a probe that reads none, what others read; NaN where none does.
    double lent_temperature_c = std::numeric_limits<double>::quiet_NaN();
    double highest_airflow = 0.0;
    double guess_20_s = 0.0;  // of T90 at 20 degC, since it was last weighed or tested; 0: not made since
    double in_air = 1.0;      // what it reads there, over saturation, as far as it is known
    double neighbours_ratio = 0.0;     // their typical fluctuation ratio; 0: not known
    double neighbours_movement = 0.0;  // and their typical movement, mg/L
    CoatingPrior coating;              // of this membrane, when it was put on
    std::uint32_t blasts_missed = 0;
    std::uint32_t blasts_waned = 0;  // of those that showed, the newest in a row that fell far short of usual
    std::uint32_t blasts_shown = 0;
    std::uint32_t quick_falls = 0;    // that were over before two readings told their tail
    double blasts_share = 0.5;        // of the last hundred or so that should have shown, how many did
    bool aeration_seen = false;       // a bit or an airflow has told it, ever
    bool temperature_seen = false;    // a plausible one, ever
    bool lent_by_neighbours = false;  // in the same water, else in other waters of the site
    bool in_mg_l = true;  // else the device gives only % without temperature, and mg/L are unknown
    Condition condition = Condition::unknown;
};
static_assert(std::is_trivially_copyable_v<ProbeState>);
static_assert(sizeof(ProbeState) <= 24 * 1024);

[[nodiscard]] inline Tracker& tracker(ProbeState& state, Reason reason) {
    return state.trackers[static_cast<std::size_t>(reason)];
}
[[nodiscard]] inline Tracker const& tracker(ProbeState const& state, Reason reason) {
    return state.trackers[static_cast<std::size_t>(reason)];
}
[[nodiscard]] inline bool standing(ProbeState const& state, Reason reason) {
    return tracker(state, reason).standing();
}
[[nodiscard]] inline bool any_standing(ProbeState const& state, std::initializer_list<Reason> reasons) {
    return std::any_of(reasons.begin(), reasons.end(), [&state](Reason r) { return standing(state, r); });
}
// What it gives is no water's: an output that is dead or stuck is evidence of nothing.
[[nodiscard]] inline bool mute(ProbeState const& state) {
    return any_standing(state, {Reason::no_signal, Reason::stuck});
}

// Feeds one reading; readings of one probe come in order of time. A response test that ends with this reading
// is returned, used or set aside.
std::optional<ResponseTest> take(ProbeState& state, ProbeSetup const& setup, Reading const& reading);

// Feeds what a person did.
void handle(ProbeState& state, Handling const& handling);

// Parks the probe, and takes it back into use. What was being watched is broken off, for a tank that was
// drained shows nothing of the probe; reasons that stood go on standing, and the rest begins anew. Afterwards
// nothing is good before something has tested it.
void leave_use(ProbeState& state, std::int64_t at_ms);
void return_to_use(ProbeState& state, std::int64_t at_ms);
// Back from an absence, and untested since.
[[nodiscard]] bool unchecked_since_return(ProbeState const& state);

// A probe that gives no good readings: since when, and since when it counts as the probe's own (an outage of
// its line or site does not). Both 0 where it is not silent.
struct Silence {
    std::int64_t since_ms = 0, counted_from_ms = 0;
};

// Weighs everything at `now_ms`. `neighbours`: those of this probe, in any order. Once an hour they may give
// a response test.
std::optional<ResponseTest> weigh(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                                  std::vector<Shown> const& neighbours, Silence silence);

// What the probes in the same water read of its temperature, or else those in other waters of the site, which
// hardly differ by more than some degrees: for a probe that reads none.
void lend_temperature(ProbeState& state, std::vector<Shown> const& neighbours,
                      std::vector<Shown> const& site);

// What it shows of its response and its water.
[[nodiscard]] NeighbourShown response_shown(ProbeState const& state, ProbeSetup const& setup,
                                            std::int64_t now_ms);
// This probe's newest hour held against a neighbour's.
std::optional<ResponseTest> compare_with(ProbeState& state, ProbeSetup const& setup,
                                         NeighbourShown const& other, std::int64_t now_ms);

// What a person is doing to it, as far as records and readings tell. A new membrane whose exposures to air
// read about 100 % has been calibrated, whoever wrote it down or not.
[[nodiscard]] ServiceState service_state(ProbeState const& state, ProbeSetup const& setup,
                                         std::int64_t now_ms);

// The probe as last weighed, in words and numbers.
[[nodiscard]] Diagnosis explain(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);

[[nodiscard]] Shown shown(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);

// T90 in water of `temperature_c` (NaN: of 20 degC) as best known today: decides how long to watch an event.
// Made anew only where `state.guess_20_s` says so: asked at each reading.
[[nodiscard]] double t90_guess(ProbeState const& state, ProbeSetup const& setup, double temperature_c);

// ln of the limit that ln T90 at 20 degC must not pass, and of the fresh value under it; empty without
// either.
struct SlowLimit {
    double ln_fresh = 0.0, ln_limit = 0.0;
    bool learned = false;
};
[[nodiscard]] std::optional<SlowLimit> slow_limit(ProbeState const& state, ProbeSetup const& setup);
// The same response as it is to be told: with what is known of any membrane beside its fresh value, which
// counts for more the less its tests tell. What decides on a ticket is what they say without it.
[[nodiscard]] LevelKnown beside_fresh(LevelKnown const& known, SlowLimit const& limit);

// The day the limit is crossed, seen from `now_ms`, with a 90 % interval; empty where the trend does not
// point there.
struct Crossing {
    std::int64_t due_ms = 0, earliest_ms = 0, latest_ms = 0;
};
[[nodiscard]] std::optional<Crossing> crossing(ProbeState const& state, ProbeSetup const& setup,
                                               std::int64_t now_ms);

}  // namespace probekeeper::diagnosis
