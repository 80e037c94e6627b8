#include "diagnosis/excursion.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "diagnosis/piece.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

// How far a reading must move towards air, as a part of saturation, before an undeclared lift is considered.
constexpr double excursion_part = 0.25;
// Air itself: an undeclared exposure must come at least this near to it.
constexpr double near_air = 0.75;
constexpr double longest_excursion_s = 3600.0;
// Of the way to air, and of saturation: what an undeclared blast in water rich in oxygen must show. Guesses;
// an aerator takes minutes for as much. Short blasts of a slow probe go no further.
constexpr double blast_way_part = 0.2;
constexpr double least_blast_part = 0.04;
// Where so many undeclared exposures have reached air, there is a cleaner: its blasts are looked for when a
// slower probe no longer reaches air in them. What they must then show within a minute and a half, of
// saturation. A guess.
constexpr std::uint32_t a_habit = 3;
constexpr double habitual_part = 0.1;
// A blast nobody declares, out of water that holds some oxygen, goes up by this part of saturation within a
// minute and a half, and is gone again within some response times: few aerators drive water up so quickly,
// and none down. A short one of a slow probe goes no further. A guess.
constexpr double pulse_part = 0.15;
// Only where a reading is so far above the one kept before, of saturation, is it looked for. A guess.
constexpr double leap_shows_part = 0.02;
// What holds so much of saturation is no water whose air comes back after long. A guess.
constexpr double some_oxygen_part = 0.06;

// A loose or a pierced membrane leaps as far from one reading to the next. What does not stand out of how it
// just moved, by so many standard deviations of that, is no exposure. A guess.
constexpr double beyond_own_movement = 6.0;
constexpr std::size_t bends_of_movement = 31;

// Standard deviation of the readings before `time_ms`, from one to the next: by the median of their second
// differences, so that water which rises or falls counts for nothing.
double movement_before(Samples const& samples, std::int64_t time_ms) {
    std::array<double, bends_of_movement> bends{};
    std::size_t n = 0;
    for (std::size_t i = 0; i + 2 < samples.size() && n < bends.size(); ++i) {
        if (samples.from_back(i).time_ms <= time_ms) {
            auto const value = [&](std::size_t back) {
                return static_cast<double>(samples.from_back(i + back).value);
            };
            bends[n++] = std::abs(value(0) - 2.0 * value(1) + value(2));
        }
    }
    return n == 0 ? 0.0
                  : estimate::mad_to_sigma * estimate::median_inplace(std::span{bends.data(), n}) /
                        estimate::second_difference_gain;
}

// A lift from well below air comes near to it.
bool is_lift(double to, double from, double saturation) {
    return to > near_air * saturation && to - from > excursion_part * saturation;
}

}  // namespace

double ExcursionWatch::found_from(View const& view, double noise) {
    double const way = view.saturation - view.value;
    bool const rich = view.value > 0.5 * view.saturation;
    return std::max({rich ? blast_way_part * way : 0.0,
                     (rich ? least_blast_part : habitual_part) * view.saturation, 12.0 * noise});
}

// Less than that is neither of the leaps below, whatever stood between `least` and the reading before.
bool ExcursionWatch::may_leap(View const& view, double least) const {
    double const rise = view.value - least;
    double const lift_part = lifts_ >= a_habit ? habitual_part : pulse_part;
    return rise > lift_part * view.saturation || rise > blast_way_part * (view.saturation - least);
}

// Two kinds of leap are no water's doing. A lift into air from well below it comes near to air; a blast in
// water that holds much oxygen goes a good part of the little way that is left, quicker than any aerator can.
bool ExcursionWatch::leaps_up(View const& view, double noise, Samples const& samples, double poll_s,
                              double before) const {
    double const rise = view.value - before;
    double const way = view.saturation - before;
    bool const lifted = is_lift(view.value, before, view.saturation);
    bool const rich = before > 0.5 * view.saturation;
    bool const habitual = lifts_ >= a_habit && !rich;
    // Blasts last a minute or so: what rises more slowly is the water.
    auto const sudden = [&](double least_part) {
        double const just_before = median_before(samples, view.time_ms - as_ms(std::max(90.0, 2.0 * poll_s)),
                                                 std::max(60.0, 2.5 * poll_s));
        return view.value - just_before > std::max(least_part * view.saturation, 12.0 * noise);
    };
    bool const blast_like = rich && way > 0.0 && rise > blast_way_part * way;
    bool const lift_like = habitual && rise > habitual_part * view.saturation;
    // Out of water without oxygen it may be the air that comes back.
    bool const pulse_like =
        !rich && before > some_oxygen_part * view.saturation && rise > pulse_part * view.saturation;
    return lifted || (blast_like && sudden(least_blast_part)) || (lift_like && sudden(habitual_part)) ||
           (pulse_like && sudden(pulse_part));
}

void ExcursionWatch::look_for_one(View const& view, ProbeKnown const& known, Samples const& samples,
                                  Around const& around) {
    double const t90_guess_s = known.t90_guess_s;
    bool const quiet = view.time_ms >= around.exposed_until_ms + as_ms(5.0 * t90_guess_s);
    bool const shows = !samples.empty() && view.value - static_cast<double>(samples.back().value) >
                                               leap_shows_part * view.saturation;
    if (!quiet || (view.value < 0.5 * view.saturation && lifts_ < a_habit && !shows)) {
        return;
    }
    auto const back_ms =
        view.time_ms - std::max(as_ms(1.5 * t90_guess_s), 2 * (view.time_ms - around.last_ms));
    double const poll_s = s_between(around.last_ms, view.time_ms);
    double const span_s = std::max(60.0, 2.5 * poll_s);
    if (!may_leap(view, least_before(samples, back_ms, span_s))) {
        return;
    }
    double const before = median_before(samples, back_ms, span_s);
    if (!leaps_up(view, known.noise, samples, poll_s, before) ||
        view.value - before < beyond_own_movement * movement_before(samples, back_ms)) {
        return;
    }
    begin_ms_ = back_ms;
    // What rises after an edge of the air is the water, or a blast that cannot be told from it.
    if (around.air_edge_ms > back_ms) {
        return;
    }
    bool const lifted = is_lift(view.value, before, view.saturation);
    active_ = true;
    peak_ms_ = view.time_ms;
    base_ = before;
    peak_ = view.value;
    longest_s_ = lifted ? longest_excursion_s : 120.0 + 5.0 * t90_guess_s;
}

ExcursionWatch::Turn ExcursionWatch::take(View const& view, ProbeKnown const& known, Samples const& samples,
                                          Around const& around) {
    if (around.busy) {
        active_ = false;
        return Turn::none;
    }
    if (!active_) {
        look_for_one(view, known, samples, around);
        return Turn::none;
    }
    // What began like a blast may be a lift by hand.
    if (is_lift(view.value, base_, view.saturation)) {
        longest_s_ = longest_excursion_s;
    }
    if (view.value > peak_) {
        peak_ = view.value;
        peak_ms_ = view.time_ms;
    }
    return end(view, around.air_edge_ms);
}

ExcursionWatch::Turn ExcursionWatch::end(View const& view, std::int64_t air_edge_ms) {
    double const left = (view.value - base_) / (peak_ - base_);
    bool const by_water = air_edge_ms > begin_ms_;
    if (left < 0.15 && !by_water) {
        bool const high =
            peak_ > near_air * view.saturation || peak_ - base_ > excursion_part * view.saturation;
        lifts_ += high && base_ < 0.5 * view.saturation ? 1U : 0U;
        active_ = false;
        return Turn::back;
    }
    if (by_water || s_between(begin_ms_, view.time_ms) > longest_s_) {
        active_ = false;
        return Turn::stayed;
    }
    return Turn::none;
}

}  // namespace probekeeper::diagnosis
