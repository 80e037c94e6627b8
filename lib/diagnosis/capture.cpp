#include "diagnosis/capture.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "electrode/first_order.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();

// How far a reading must move towards air, as a part of saturation, before an undeclared lift is considered.
constexpr double excursion_part = 0.25;
// Air itself: an undeclared exposure must come at least this near to it.
constexpr double near_air = 0.75;
constexpr double longest_excursion_s = 3600.0;
// What a probe showed while somebody worked on it is no part of its fall back to the water, but for so much.
constexpr double air_before_fall_s = 60.0;
// Where readings come seldom, so many of them are waited for all the same, and used from before.
constexpr std::int64_t readings_after = 7, readings_before = 4;
// mg/L a second, some times what the hungriest activated sludge takes up (common practice, no source).
constexpr double water_falls_s = 0.1;
constexpr double rise_every_s = 2.0 * 3600.0;
// Of the way to air, and of saturation: what an undeclared blast in water rich in oxygen must show. Guesses;
// an aerator takes minutes for as much. Short blasts of a slow probe go no further.
constexpr double blast_way_part = 0.2;
constexpr double least_blast_part = 0.04;
// Where so many undeclared exposures have reached air, there is a cleaner: its blasts are looked for when a
// slower probe no longer reaches air in them. What they must then show within a minute and a half, of
// saturation. A guess.
constexpr std::uint32_t a_habit = 3;
constexpr double habitual_part = 0.1;
// A blast nobody declares, out of water that holds some oxygen, goes up by `excursion_part` within a minute
// and a half, and is gone again within some response times: no aerator drives water up so quickly, and none
// down. Only where a reading is so far above the one kept before, of saturation, is it looked for. A guess.
constexpr double leap_shows_part = 0.02;
// A blast that shows less than this part of the usual has not reached the membrane. A guess.
constexpr double blast_gone = 0.45;
constexpr std::uint32_t fewest_reaches = 3;
// Where no temperature tells the saturation of a water, only water well below it shows how far a blast is
// from air.
constexpr double surely_low = 0.4;
// Intervals between blasts that are found, before a timer is known by them; how far they may be off, as a
// part of it; and how many blasts in a row may have been overlooked between two. Guesses.
constexpr std::uint32_t enough_alike = 6, most_alike = 20;
constexpr double timer_off = 0.12;
constexpr double most_overlooked = 3.0;
// A blast is missed where it would have been found by so much. A guess.
constexpr double surely_found = 1.5;
// Before anything tells how long blasts are.
constexpr double usual_blast_s = 30.0;
// One that shows less than this part may have reached it only in part, and does not tell the span; of a span
// itself that has lost so much others tell. A guess.
constexpr double span_reach = 0.75;
// Blasts that no bit declares, before the way up is believed to be seen at all or never, and the part of them
// in which it is seen then. A reading lies on it between these parts of the height. Guesses.
constexpr std::uint32_t enough_found = 4, most_found = 20, part_with_rise = 4;
constexpr double on_the_way_from = 0.15, on_the_way_to = 0.85;
// Of a probe whose T90 is longer than so many polls two readings always tell the tail: that takes it 0.8 T90
// from four fifths to an eighth of the height.
constexpr double quick_polls = 2.5;
// Further from the truth than this a reading in air is of no use, percent. Most of it is alike in all blasts
// of a probe: what has changed since the first ones is known far better.
constexpr double worst_air_error = 8.0;
// Of the height that the tail comes from, what the readings must show while the blast lasts.
constexpr double least_held = 0.05;
// Of blasts that last so many polls a bit misses none, and the readings see their area. So many teach their
// length before it is used, and so many in all. Guesses.
constexpr double fewest_in_blast = 3.0;
constexpr std::uint32_t enough_told = 4, most_lengths = 200;
// Where no bit tells it, so many blasts teach it, that go this part of saturation or more.
constexpr std::uint32_t enough_lengths = 12;
constexpr double least_way = 0.1;
// A timer's blasts do not differ by more than this part; so many in a row that do are another timer's.
// Guesses.
constexpr double blasts_alike = 0.45;
constexpr std::uint32_t enough_unlike = 8;
// Falls that are slower than the probe was thought to be are alike to within so much of ln, and so many of
// them in a row are its own. Guesses.
constexpr double falls_alike = 0.35;
constexpr std::uint32_t enough_falls_alike = 5;

// An edge that no bit declares is looked for where none has been declared for so long: a bit that is missing
// or wrong for a day or two changes nothing.
constexpr double bit_silent_s = 3.0 * 86'400.0;
// What counts as water without oxygen: so low, of saturation, and at rest for so long. Guesses.
constexpr double floor_part = 0.15;
constexpr double floor_lasts_s = 180.0;
// Water that is driven has gone its way by then; and of readings before the rise, so many seconds are of use.
constexpr double rise_lasts_s = 420.0;
constexpr double before_rise_s = 200.0;

std::int64_t ms(double s) {
    // Longer, or no number: as a checkpoint may hold it that is damaged.
    constexpr double longest_s = 1e11;
    return std::abs(s) < longest_s ? static_cast<std::int64_t>(1000.0 * s)
                                   : static_cast<std::int64_t>(1000.0 * longest_s);
}
double s_between(std::int64_t from_ms, std::int64_t to_ms) {
    return static_cast<double>(to_ms - from_ms) / 1000.0;
}

// Samples need not be kept closer than the response can be told apart, or the ring would be short.
double spacing_s(double t90_guess_s) {
    return std::clamp(t90_guess_s / 25.0, 0.0, 10.0);
}

struct Piece {
    std::array<FitPoint, Samples::capacity()> points{};
    std::size_t count = 0;
    [[nodiscard]] std::span<FitPoint const> span() const { return {points.data(), count}; }
};

Piece cut(Samples const& samples, std::int64_t from_ms, std::int64_t zero_ms, std::int64_t to_ms) {
    Piece piece;
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples[i];
        if (s.time_ms >= from_ms && s.time_ms <= to_ms) {
            piece.points[piece.count++] = {s_between(zero_ms, s.time_ms), static_cast<double>(s.value)};
        }
    }
    return piece;
}

}  // namespace

double Capture::median_before(std::int64_t time_ms, double span_s) const {
    std::array<double, Samples::capacity()> kept;  // not cleared: that took a tenth of a replay
    std::size_t n = 0;
    for_before(time_ms, span_s, [&](Sample const& s) { kept[n++] = static_cast<double>(s.value); });
    return n == 0 ? nan : estimate::median_inplace(std::span{kept.data(), n});
}

// What the median before cannot be below; nearly as telling, and a tenth of the work.
double Capture::least_before(std::int64_t time_ms, double span_s) const {
    double least = std::numeric_limits<double>::infinity();
    for_before(time_ms, span_s,
               [&](Sample const& s) { least = std::min(least, static_cast<double>(s.value)); });
    return least;
}

template <typename Act>
void Capture::for_before(std::int64_t time_ms, double span_s, Act act) const {
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms < time_ms - ms(span_s)) {
            break;
        }
        if (s.time_ms <= time_ms) {
            act(s);
        }
    }
}

void Capture::interrupt() {
    fall_.active = false;
    decline_.active = rise_.active = false;
    excursion_.active = false;
    floor_ = {};
    timer_.last_ms = timer_.due_ms = 0;  // what stopped the readings may have stopped the timer
    exposed_ = false;
    blast_to_judge_ = false;
    aerated_ = Aerated::unknown;
    samples_.clear();
}

bool Capture::disturbed(std::int64_t time_ms, double t90_guess_s) const {
    auto const rest = ms(std::max(60.0, 3.0 * t90_guess_s));
    return exposed_ || excursion_.active || time_ms < exposed_until_ms_ + rest ||
           time_ms < aeration_edge_ms_ + rest || fall_.active;
}

std::int64_t Capture::in_water_since_ms(std::int64_t time_ms, double t90_guess_s) const {
    auto const until_ms = exposed_ || excursion_.active ? time_ms : exposed_until_ms_;
    return until_ms + ms(std::max(60.0, 5.0 * t90_guess_s));
}

void Capture::follow_exposure(View const& view, double t90_guess_s) {
    if (view.exposed && !exposed_) {
        exposed_ = true;
        exposed_by_cleaning_ = view.cleaning;
        exposed_from_ms_ = last_ms_ != 0 ? last_ms_ : view.time_ms;
        exposed_first_ms_ = view.time_ms;
        fall_.active = false;
        decline_.active = rise_.active = false;
        excursion_.active = false;
    } else if (!view.exposed && exposed_) {
        exposed_ = false;
        exposed_until_ms_ = view.time_ms;
        fall_.active = true;
        fall_.declared = true;
        fall_.by_hand = false;
        fall_.source = exposed_by_cleaning_ ? TestSource::cleaning : TestSource::air_exposure;
        fall_.begin_ms = exposed_from_ms_;
        fall_.first_ms = exposed_first_ms_;
        fall_.end_ms = (last_ms_ + view.time_ms) / 2;
        fall_.deadline_ms = view.time_ms + std::max(ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0)),
                                                    readings_after * (view.time_ms - last_ms_));
        fall_.saturation = view.saturation;
        fall_.base = median_before(exposed_from_ms_, 180.0);
        blast_to_judge_ = exposed_by_cleaning_;
        timer_ = exposed_by_cleaning_ ? Timer{} : timer_;  // a bit tells more
    }
}

void Capture::follow_aeration(View const& view, double t90_guess_s) {
    if (view.aerated == aerated_) {
        return;
    }
    bool const switched = aerated_ != Aerated::unknown && view.aerated != Aerated::unknown;
    bool const on = view.aerated == Aerated::on;
    bool const lasted = s_between(aeration_since_ms_, view.time_ms) > 180.0;
    if (switched) {
        aeration_edge_ms_ = turned_ms_ = view.time_ms;
    }
    bool const quiet = !view.exposed && view.time_ms > exposed_until_ms_ + ms(3.0 * t90_guess_s);
    // Rises tell less than what they cost; a few a day do.
    bool const wanted = !on || rise_ms_ == 0 || view.time_ms - rise_ms_ > ms(rise_every_s);
    if (switched && lasted && quiet && wanted) {
        (on ? rise_ : decline_) = {true,
                                   on ? TestSource::aeration_on : TestSource::aeration_off,
                                   (last_ms_ + view.time_ms) / 2,
                                   view.time_ms + ms(900.0),
                                   view.value,
                                   view.saturation};
        rise_ms_ = on ? view.time_ms : rise_ms_;
    }
    aerated_ = view.aerated;
    aeration_since_ms_ = view.time_ms;
}

// Less than that is neither of the leaps below, whatever stood between `least` and the reading before.
bool Capture::may_leap(View const& view, double least) const {
    double const rise = view.value - least;
    double const lift_part = lifts_ >= a_habit ? habitual_part : excursion_part;
    return rise > lift_part * view.saturation || rise > blast_way_part * (view.saturation - least);
}

// Two kinds of leap are no water's doing. A lift into air from well below it comes near to air; a blast in
// water that holds much oxygen goes a good part of the little way that is left, quicker than any aerator can.
bool Capture::leaps_up(View const& view, Known const& known, double before) const {
    double const rise = view.value - before;
    double const way = view.saturation - before;
    bool const lifted = view.value > near_air * view.saturation && rise > excursion_part * view.saturation;
    // Blasts last a minute or so: what rises more slowly is the water.
    double const poll_s = s_between(last_ms_, view.time_ms);
    bool const rich = before > 0.5 * view.saturation;
    bool const habitual = lifts_ >= a_habit && !rich;
    auto const sudden = [&](double least_part) {
        double const just_before =
            median_before(view.time_ms - ms(std::max(90.0, 2.0 * poll_s)), std::max(60.0, 2.5 * poll_s));
        return view.value - just_before > std::max(least_part * view.saturation, 12.0 * known.noise);
    };
    bool const blast_like = rich && way > 0.0 && rise > blast_way_part * way;
    bool const lift_like = habitual && rise > habitual_part * view.saturation;
    // Out of water without oxygen it may be the air that comes back.
    bool const pulse_like =
        !rich && before > floor_part * view.saturation && rise > excursion_part * view.saturation;
    return lifted || (blast_like && sudden(least_blast_part)) || (lift_like && sudden(habitual_part)) ||
           (pulse_like && sudden(excursion_part));
}

// An exposure that no bit declares: the reading leaps towards air faster than water can, and comes back.
void Capture::follow_excursion(View const& view, Known const& known) {
    double const t90_guess_s = known.t90_guess_s;
    if (exposed_ || fall_.active) {
        excursion_.active = false;
        return;
    }
    bool const in_air = view.value > near_air * view.saturation;
    if (!excursion_.active) {
        bool const quiet = view.time_ms >= exposed_until_ms_ + ms(5.0 * t90_guess_s);
        bool const shows = !samples_.empty() && view.value - static_cast<double>(samples_.back().value) >
                                                    leap_shows_part * view.saturation;
        if (!quiet || (view.value < 0.5 * view.saturation && lifts_ < a_habit && !shows)) {
            return;
        }
        auto const back_ms = view.time_ms - std::max(ms(1.5 * t90_guess_s), 2 * (view.time_ms - last_ms_));
        // What rises after an edge of the air is the water.
        if (aeration_edge_ms_ > back_ms) {
            return;
        }
        double const span_s = std::max(60.0, 2.5 * s_between(last_ms_, view.time_ms));
        if (!may_leap(view, least_before(back_ms, span_s))) {
            return;
        }
        double const before = median_before(back_ms, span_s);
        if (leaps_up(view, known, before)) {
            bool const lifted = in_air && view.value - before > excursion_part * view.saturation;
            double const longest_s = lifted ? longest_excursion_s : 120.0 + 5.0 * t90_guess_s;
            excursion_ = {true, back_ms, view.time_ms, before, view.value, longest_s};
        }
        return;
    }
    // What began like a blast may be a lift by hand.
    if (in_air && view.value - excursion_.base > excursion_part * view.saturation) {
        excursion_.longest_s = longest_excursion_s;
    }
    if (view.value > excursion_.peak) {
        excursion_.peak = view.value;
        excursion_.peak_ms = view.time_ms;
    }
    end_excursion(view, known);
}

void Capture::end_excursion(View const& view, Known const& known) {
    double const t90_guess_s = known.t90_guess_s;
    double const left = (view.value - excursion_.base) / (excursion_.peak - excursion_.base);
    bool const by_water = aeration_edge_ms_ > excursion_.begin_ms;
    if (left < 0.15 && !by_water) {
        bool const high = excursion_.peak > near_air * view.saturation ||
                          excursion_.peak - excursion_.base > excursion_part * view.saturation;
        lifts_ += high && excursion_.base < 0.5 * view.saturation ? 1U : 0U;
        fall_.active = true;
        fall_.declared = fall_.by_hand = false;
        fall_.source = TestSource::air_exposure;
        fall_.begin_ms = excursion_.begin_ms;
        fall_.end_ms = excursion_.peak_ms;
        fall_.deadline_ms = view.time_ms + ms(std::clamp(3.0 * t90_guess_s, 60.0, 1200.0));
        fall_.saturation = view.saturation;
        fall_.base = excursion_.base;
        exposed_until_ms_ = excursion_.peak_ms;
        excursion_.active = false;
        found_blast(view, known);
    } else if (by_water || s_between(excursion_.begin_ms, view.time_ms) > excursion_.longest_s) {
        excursion_.active = false;  // or it stayed: no exposure but a change of level, for others to judge
        exposed_until_ms_ = view.time_ms;
    }
}

void Capture::put_back(std::int64_t back_ms, View const& now, double t90_guess_s) {
    excursion_.active = false;
    decline_.active = rise_.active = false;
    fall_ = {};
    fall_.active = fall_.by_hand = true;
    fall_.source = TestSource::air_exposure;
    fall_.begin_ms = back_ms - ms(air_before_fall_s);
    fall_.end_ms = back_ms;
    fall_.deadline_ms = std::max(now.time_ms, back_ms + ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0)));
    fall_.saturation = now.saturation;
    fall_.base = nan;
    exposed_until_ms_ = back_ms;
}

double Capture::blast_length_s() const {
    return told_.count > 0 ? told_.mean_s : taught_.count > 0 ? taught_.mean_s : usual_blast_s;
}

// One that no bit declares: it has come when the others let expect it, or teaches when they come.
void Capture::found_blast(View const& view, Known const& known) {
    found_ =
        judge({excursion_.base, excursion_.peak - excursion_.base, view.saturation, blast_length_s()}, known);
    auto const at_ms = excursion_.peak_ms;
    double const since_s = timer_.last_ms == 0 ? 0.0 : s_between(timer_.last_ms, at_ms);
    timer_.last_ms = at_ms;
    if (since_s > 0.0 && timer_.every_s > 0.0) {
        double const n = std::max(1.0, std::round(since_s / timer_.every_s));
        double const off = std::abs(since_s - n * timer_.every_s);
        if (n <= most_overlooked && off < timer_off * timer_.every_s) {
            timer_.alike = std::min(timer_.alike + 1, most_alike);
            timer_.every_s += (since_s / n - timer_.every_s) / (timer_.alike + 1.0);
        } else if (n <= most_overlooked) {
            timer_.alike /= 2;
            timer_.every_s = timer_.alike == 0 ? since_s : timer_.every_s;
        }
    } else if (since_s > 0.0) {
        timer_.every_s = since_s;
    }
    timer_.due_ms = timer_.alike >= enough_alike ? at_ms + ms(timer_.every_s) : 0;
}

// A blast that the timer lets expect, and that no reading shows: missed, where it would have been found.
std::optional<BlastSeen> Capture::overdue_blast(View const& view, Known const& known) {
    auto const slack_ms = ms(timer_off * timer_.every_s + 60.0 + 2.0 * known.t90_guess_s);
    if (timer_.due_ms == 0 || view.time_ms < timer_.due_ms + slack_ms || excursion_.active || fall_.active) {
        return std::nullopt;
    }
    timer_.due_ms += ms(timer_.every_s);
    double const length_s = blast_length_s();
    auto seen = judge({view.value, 0.0, view.saturation, length_s}, known);
    bool const stirred =
        excursion_.begin_ms > view.time_ms - 2 * slack_ms;  // something leapt, and did not return
    double const way = view.saturation - view.value;
    bool const rich = view.value > 0.5 * view.saturation;
    double const found_from =
        std::max({rich ? blast_way_part * way : 0.0,
                  (rich ? least_blast_part : habitual_part) * view.saturation, 12.0 * known.noise});
    double const reach = -std::expm1(-length_s * electrode::first_order_t90_over_tau / known.t90_guess_s);
    seen.expected =
        seen.expected && !stirred && way > 0.0 && usual_reach_ * reach * way > surely_found * found_from;
    return seen;
}

BlastSeen Capture::judge_blast(Known const& known) {
    double extreme = 0.0;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms <= fall_.begin_ms) {
            break;
        }
        extreme = std::max(extreme, std::abs(static_cast<double>(s.value) - fall_.base));
    }
    double const length_s = s_between(fall_.begin_ms, fall_.end_ms);
    return judge({fall_.base, extreme, fall_.saturation, length_s}, known);
}

BlastSeen Capture::judge(Blast const& blast, Known const& known) {
    BlastSeen seen;
    double const extreme = blast.extreme;
    // Short blasts never reach air, and those of a slow probe less and less: neither is the cleaner's fault.
    double const allowed =
        -std::expm1(-blast.length_s * electrode::first_order_t90_over_tau / known.t90_guess_s);
    double const way = std::abs(known.in_air * blast.saturation - blast.base) * allowed;
    double const least = std::max(0.015 * blast.saturation, 8.0 * known.noise);
    double const expected = usual_reach_ * way;
    bool const far_from_air = known.saturation_known || blast.base < surely_low * blast.saturation;
    seen.expected = far_from_air && blast_gone * expected > least;
    // Until the blasts of this membrane have taught how far they reach, any that shows has reached it: one
    // that was badly put on, in water rich in oxygen, reads little more in air.
    double const usual = reaches_ < fewest_reaches ? 0.0 : blast_gone * expected;
    seen.shown = extreme > std::max(usual, least);
    // What wanes over days must not be followed down: only blasts that reach about as usual teach.
    double const reach = way > least ? std::min(extreme / way, 1.5) : 0.0;
    bool const teaches = reaches_ < 12 ? extreme > least : reach > 0.75 * usual_reach_;
    bool const short_of_usual =
        !seen.shown || (reaches_ >= fewest_reaches && reach < span_reach * usual_reach_);
    fell_short_ = seen.expected ? short_of_usual : fell_short_;
    if (seen.expected && teaches) {
        reaches_ = std::min(reaches_ + 1, 50U);
        usual_reach_ += (reach - usual_reach_) / static_cast<double>(reaches_);
    }
    return seen;
}

// The ends of one blast are known to a poll, those of many that a timer makes alike far better.
double Capture::Lengths::usual(double length_s, double its_weight, std::uint32_t most) {
    bool const alike = count == 0 || std::abs(length_s - mean_s) < blasts_alike * mean_s;
    unlike = alike ? 0 : unlike + 1;
    if (unlike >= enough_unlike) {
        *this = {};
    }
    if (!alike) {
        return nan;
    }
    if (count < most) {
        ++count;
        weight += its_weight;
        mean_s += (length_s - mean_s) * its_weight / weight;
    }
    return mean_s;
}

// A transmitter that freezes its output while the probe is cleaned leaps to where the probe is by then: no
// reading lies on the way up, and the area is that of the tail alone, which grows as the probe slows. Where a
// bit tells the blast, habits.h knows; else it takes some blasts to tell. So does a probe that is up within a
// poll.
bool Capture::rises_seen() {
    double top = fall_.base;
    std::int64_t top_ms = 0;
    auto const in_blast = [&](Sample const& s) {
        return s.time_ms > fall_.begin_ms && s.time_ms <= fall_.end_ms;
    };
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_[i];
        if (in_blast(s) && static_cast<double>(s.value) > top) {
            top = static_cast<double>(s.value);
            top_ms = s.time_ms;
        }
    }
    bool seen = false;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_[i];
        double const part = (static_cast<double>(s.value) - fall_.base) / (top - fall_.base);
        seen = seen || (in_blast(s) && s.time_ms < top_ms && part > on_the_way_from && part < on_the_way_to);
    }
    if (found_blasts_ == most_found) {
        found_blasts_ /= 2;
        found_rises_ /= 2;
    }
    ++found_blasts_;
    found_rises_ += seen ? 1U : 0U;
    return found_blasts_ >= enough_found && found_rises_ * part_with_rise >= found_blasts_;
}

// How far, as a part of it, a length may be off that blasts of a much slower or quicker probe have taught: of
// a long tail an area has too much.
double Capture::length_drift(Known const& known) const {
    constexpr double like_enough = 0.3, a_factor_e = 0.2;  // of ln T90. Guesses
    double const other = std::abs(std::log(known.t90_guess_s / length_t90_s_));
    return a_factor_e * std::max(0.0, other - like_enough);
}

// Readings of a bit count a blast's length in polls, too many or too few by chance alone, so that many tell
// it far better than one: all that a bit tells, whatever comes of their fits.
void Capture::count_length() {
    if (!fall_.declared || fall_.source != TestSource::cleaning) {
        return;
    }
    told_s_ = told_.usual(s_between((fall_.begin_ms + fall_.first_ms) / 2, fall_.end_ms), 1.0, most_lengths);
    // By one measure or the other, but not by both in turn: they differ by as much as the probe was wrong.
    if (told_.count == enough_told) {
        told_well_ = told_.mean_s > fewest_in_blast * s_between(fall_.begin_ms, fall_.first_ms);
    }
}

// Those of a timer are as long where its bit is missing for a while.
Capture::LengthKnown Capture::length_by_bit(ResponseFit const& fit) const {
    constexpr double of_one = 0.3 / fewest_in_blast;  // as a part of it, at most
    double const error = of_one / std::sqrt(told_.count);
    return {fall_.declared ? told_s_ : told_.mean_s, fit.area / told_.mean_s * error, true};
}

// Where no bit tells it, or one that is read too seldom, the blasts of a timer are as long as those were that
// were seen first, when the probe was right: what has changed since is known all the same.
Capture::LengthKnown Capture::length_by_area(ResponseFit const& fit, Known const& known) {
    double const way = fall_.saturation - fit.below_step;
    // Near saturation the way is no measure of a length; what the blast then reads is, of whether it is
    // alike.
    bool const teaches = taught_.count < enough_lengths && std::abs(way) > least_way * fall_.saturation;
    if (taught_.count == 0 && !teaches) {
        return {nan, nan, false};
    }
    double const level = (fit.below_step + fit.area / taught_.mean_s) / fall_.saturation;
    double const step_s = teaches ? taught_.usual(fit.area / way, way * way, enough_lengths)
                                  : taught_.usual(taught_.mean_s * level, 0.0, enough_lengths);
    if (teaches && !std::isnan(step_s)) {
        length_t90_s_ += (known.t90_guess_s - length_t90_s_) * way * way / taught_.weight;
    }
    return {step_s, fit.area / step_s * length_drift(known), false};
}

// The reading in air, had it settled, over saturation. After a long lift it has. Of a blast the area tells
// it: height times length, whatever lags.
Capture::AirLevel Capture::air_level(ResponseFit const& fit, Known const& known) {
    AirLevel const unknown{nan, nan};
    double const percent = 100.0 / fall_.saturation;
    bool const blast = fall_.source == TestSource::cleaning || !fall_.declared;
    if (!blast) {
        double const length_s = s_between((fall_.begin_ms + fall_.first_ms) / 2, fall_.end_ms);
        bool const settled = fit.set_aside.empty() && length_s > 3.0 * known.t90_guess_s;
        return settled ? AirLevel{percent * (fall_.base + fit.held), 1.0} : unknown;
    }
    // A transmitter that freezes meanwhile shows the water.
    bool const frozen =
        known.frozen || !(fit.held / fit.step > least_held) || (!fall_.declared && !rises_seen());
    // Few readings in the tail of a probe that is known to be slower: the water moved, and the area is none.
    double const poll_s =
        samples_.size() < 2 ? 0.0 : s_between(samples_.from_back(1).time_ms, samples_.back().time_ms);
    bool const quick = fit.quicker_than_readings && known.t90_guess_s < quick_polls * poll_s;
    if (frozen || fell_short_ || !(fit.set_aside.empty() || quick)) {
        return unknown;
    }
    if (fall_.declared && told_.count < enough_told) {
        return unknown;
    }
    auto const length = told_well_ ? length_by_bit(fit) : length_by_area(fit, known);
    double const error = std::hypot(1.0, percent * std::hypot(fit.area_error / length.s, length.error));
    // NaN, too.
    return error < worst_air_error
               ? AirLevel{percent * (fit.below_step + fit.area / length.s), error, length.told}
               : unknown;
}

// When it began and ended, by its readings, where no bit tells: it began between two of them, and its end is
// beside the highest one. Of a slow membrane that comes later than the end, and the first one later than the
// begin.
std::optional<Pulse> Capture::found_pulse(std::span<FitPoint const> points, Known const& known) const {
    constexpr double later_part = 0.1;  // of T90. A guess
    auto const top =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s >= 0.0; });
    if (top == points.begin() || top == points.end() || top + 1 == points.end()) {
        return std::nullopt;
    }
    auto low = top;
    while (low != points.begin() && low->value - fall_.base > on_the_way_from * (top->value - fall_.base)) {
        --low;
    }
    if (low == points.begin() || low + 1 == top) {
        return std::nullopt;  // nothing is seen of the way up
    }
    double const later_s = later_part * known.t90_guess_s;
    double const evenly = std::sqrt(12.0);
    Pulse pulse;
    pulse.begin_s = 0.5 * (low->t_s + (low + 1)->t_s) - later_s;
    pulse.begin_gap_s = std::hypot((low + 1)->t_s - low->t_s, evenly * later_s);
    pulse.end_gap_s = std::hypot((top + 1)->t_s - (top - 1)->t_s, evenly * later_s);
    return pulse;
}

std::optional<Pulse> Capture::told_pulse(std::span<FitPoint const> points) const {
    auto const after =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s > 0.0; });
    double const begin_s = s_between(fall_.end_ms, fall_.begin_ms);
    double const first_s = s_between(fall_.end_ms, fall_.first_ms);
    Pulse pulse;
    pulse.begin_s = 0.5 * (begin_s + first_s);
    pulse.begin_gap_s = first_s - begin_s;
    pulse.end_gap_s = after == points.end() ? 0.0 : 2.0 * after->t_s;
    return pulse;
}

// Blasts that a bit declares, and those that are found and show their way up.
void Capture::fit_whole(std::span<FitPoint const> points, Known const& known, ResponseFit& fit) const {
    bool const found = !fall_.declared && !fall_.by_hand;
    bool const blast = found || fall_.source == TestSource::cleaning;
    if (!blast || !fit.set_aside.empty() || std::isnan(fall_.base)) {
        return;
    }
    auto const ends = found ? found_pulse(points, known) : told_pulse(points);
    if (!ends) {
        return;
    }
    auto pulse = *ends;
    pulse.way = fall_.saturation - fall_.base;
    pulse.frozen = known.frozen || !(fit.held / fit.step > least_held);
    auto const whole = fit_pulse(points, pulse, fit.tau_s, known.noise);
    if (!std::isnan(whole.ln_membrane)) {
        fit.ln_t90_first_order = whole.ln_first_order;
        fit.ln_t90_membrane = whole.ln_membrane;
        fit.membrane_evidence = whole.membrane_evidence;
        fit.ln_error = whole.ln_error;
        fit.ends_found = found;
    }
}

namespace {

// What the water moves by itself during a test hangs together, and bends the fall as no scatter does: tenths
// of it were found in T90 of simulated blasts in tanks whose aerators switch, where the fits said a tenth.
void own_up_to_moving_water(ResponseFit& fit, double noise) {
    constexpr double bends = 5.0;       // ln T90 for what is left, as a part of the step
    constexpr double most_left = 0.04;  // beyond it a fit says more of the water than of the probe
    double const left =
        std::sqrt(std::max(fit.residual * fit.residual - noise * noise, 0.0)) / std::abs(fit.step);
    fit.ln_error = std::hypot(fit.ln_error, bends * left);
    if (fit.set_aside.empty() && left > most_left) {
        fit.set_aside = "the water moved by itself meanwhile";
    }
}

}  // namespace

// By the area of what it showed. Such a blast is a step of unknown height, and what lies between the part
// that air reached and the rest has a time of its own. In water that is near air already, an error of span
// would look like it.
bool Capture::reached_in_part(ResponseFit const& fit, Known const& known) const {
    constexpr double part = 0.6, far_from_air = 0.5;
    double const way = known.in_air * fall_.saturation - fall_.base;
    bool const told = fall_.declared && fall_.source == TestSource::cleaning && known.saturation_known;
    bool const frozen = known.frozen || !(fit.held / fit.step > least_held);
    double const length_s = s_between((fall_.begin_ms + fall_.first_ms) / 2, fall_.end_ms);
    return told && !frozen && way > far_from_air * fall_.saturation && fit.area < part * way * length_s;
}

// A guess: a probe does not slow by half between two tests, and water falls more slowly than any probe; but
// never so quickly as `water_falls_s`, however little is known of the probe. Where it was too quick to be
// tested before, it slows unseen: water falls each time as its load lets it, and falls that are all as long
// are the probe's.
bool Capture::falls_as_water(ResponseFit const& fit, Known const& known) {
    bool const slow = fit.tau_s * electrode::first_order_t90_over_tau > 1.6 * known.t90_guess_s;
    if (!slow || std::abs(fit.step) >= water_falls_s * fit.tau_s) {
        slow_alike_ = 0;
        return false;
    }
    bool const alike = slow_alike_ > 0 && std::abs(std::log(fit.tau_s / slow_tau_s_)) < falls_alike;
    slow_alike_ = alike ? std::min(slow_alike_ + 1, enough_falls_alike) : 1U;
    slow_tau_s_ = fit.tau_s;
    return slow_alike_ < enough_falls_alike;
}

std::optional<Candidate> Capture::finish_fall(View const& view, Known const& known) {
    bool const aeration_changed = aeration_edge_ms_ > fall_.end_ms;
    if (!fall_.active || (view.time_ms < fall_.deadline_ms && !aeration_changed)) {
        return std::nullopt;
    }
    fall_.active = false;
    auto const before_ms =
        std::max(ms(std::max(120.0, 2.0 * known.t90_guess_s)), readings_before * (view.time_ms - last_ms_));
    auto const from_ms = fall_.by_hand ? fall_.begin_ms + 1 : fall_.begin_ms - before_ms;
    auto const to_ms = aeration_changed ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const piece = cut(samples_, from_ms, fall_.end_ms, to_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(fall_.end_ms);
    candidate.source = fall_.source;
    candidate.by_hand = fall_.by_hand;
    candidate.fit = fit_fall(piece.span(), s_between(fall_.end_ms, fall_.begin_ms), known.noise);
    // What an edge of the air has cut short may not have been over.
    candidate.fit.quicker_than_readings = candidate.fit.quicker_than_readings && !aeration_changed;
    fit_whole(piece.span(), known, candidate.fit);
    candidate.temperature_c = view.temperature_c;
    if (!fall_.declared && !fall_.by_hand && candidate.fit.set_aside.empty() &&
        falls_as_water(candidate.fit, known)) {
        candidate.fit.set_aside = "slower than the probe: the water itself fell";
    }
    count_length();
    auto const air = fall_.by_hand ? AirLevel{nan, nan} : air_level(candidate.fit, known);
    candidate.air_percent = air.percent;
    candidate.air_error = air.error;
    candidate.air_absolute = air.absolute;
    own_up_to_moving_water(candidate.fit, known.noise);
    if (candidate.fit.set_aside.empty() && reached_in_part(candidate.fit, known)) {
        candidate.fit.set_aside = "the blast reached a part of the membrane only";
    }
    return candidate;
}

bool Capture::edge_is_over(Edge const& edge, View const& view) const {
    bool const on = edge.source == TestSource::aeration_on;
    bool const turned = aerated_ != (on ? Aerated::on : Aerated::off);
    return turned || view.time_ms >= edge.deadline_ms ||
           (!on && view.value < 0.9 * decline_down_to * edge.level);
}

namespace {

// Where noise lets a fit say anything, those that say much would seem the better ones for their own size.
void doubt_by_expected(ResponseFit& fit, Capture::Known const& known) {
    constexpr double worst_part = 0.5;
    double const expected_s = known.t90_guess_s / electrode::first_order_t90_over_tau + known.delay_s;
    if (fit.set_aside.empty() &&
        !(fit.late_error_s < worst_part * std::sqrt(fit.late_s * std::max(expected_s, 1.0)))) {
        fit.set_aside = "too uncertain";
    }
}

}  // namespace

std::optional<Candidate> Capture::finish_edge(Edge& edge, View const& view, Known const& known) {
    if (!edge.active || !edge_is_over(edge, view)) {
        return std::nullopt;
    }
    edge.active = false;
    bool const on = edge.source == TestSource::aeration_on;
    bool const turned = aerated_ != (on ? Aerated::on : Aerated::off);
    auto const to_ms = turned ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const stopped_ms = on ? std::nullopt : air_fall_.stopped_ms(edge.at_ms);
    auto const at_ms = stopped_ms.value_or(edge.at_ms);
    auto const piece = cut(samples_, at_ms - ms(120.0), at_ms, to_ms);
    double const delay_error_s = std::max(known.delay_error_s, 7.0);
    Candidate candidate;
    candidate.time = from_unix_ms(at_ms);
    candidate.air_timed = stopped_ms.has_value();
    candidate.source = edge.source;
    candidate.fit = on ? fit_rise(piece.span(), known.delay_s, delay_error_s, known.noise, edge.saturation)
                       : fit_decline(piece.span(), known.delay_s, delay_error_s, known.noise, edge.saturation,
                                     known.membrane_probability);
    doubt_by_expected(candidate.fit, known);
    candidate.temperature_c = view.temperature_c;
    candidate.air_percent = candidate.air_error = nan;
    return candidate;
}

// Near-flat, low, and then up: how steeply is for the fit to judge.
void Capture::follow_floor(View const& view, Known const& known) {
    bool const told = turned_ms_ != 0 && view.time_ms - turned_ms_ < ms(bit_silent_s);
    if (!known.find_edges || told || exposed_ || fall_.active || excursion_.active) {
        floor_ = {};
        return;
    }
    if (floor_.left_ms != 0) {
        return;
    }
    double const tolerance = std::max({0.03, 3.0 * known.noise, 1.2 * known.resolution});
    double const off = view.value - floor_.level;
    bool const low = view.value < floor_part * view.saturation;
    if (floor_.since_ms != 0 && low && std::abs(off) <= tolerance) {
        floor_.level += 0.1 * off;
        return;
    }
    bool const rested = floor_.since_ms != 0 && last_ms_ - floor_.since_ms > ms(floor_lasts_s);
    if (rested && off > tolerance) {
        floor_.left_ms = last_ms_;
        floor_.deadline_ms = last_ms_ + ms(rise_lasts_s);
        floor_.saturation = view.saturation;
    } else {
        floor_ = {};
        floor_.since_ms = low ? view.time_ms : 0;
        floor_.level = view.value;
    }
}

std::optional<Candidate> Capture::finish_found(View const& view) {
    if (floor_.left_ms == 0 || view.time_ms < floor_.deadline_ms) {
        return std::nullopt;
    }
    auto const floor = floor_;
    floor_ = {};
    auto const piece = cut(samples_, floor.left_ms - ms(before_rise_s), floor.left_ms, view.time_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(floor.left_ms);
    candidate.source = TestSource::aeration_on;
    candidate.fit = fit_found_rise(piece.span(), floor.saturation);
    candidate.temperature_c = view.temperature_c;
    candidate.air_percent = candidate.air_error = nan;
    // Low water stirs for many reasons: what is no rise is no test.
    return candidate.fit.onset_found ? std::optional{candidate} : std::nullopt;
}

Capture::Outcome Capture::take(View const& view, Known const& known) {
    follow_exposure(view, known.t90_guess_s);
    air_fall_.take(view.time_ms, view.airflow);
    follow_aeration(view, known.t90_guess_s);
    follow_excursion(view, known);
    follow_floor(view, known);
    if (samples_.empty() || view.time_ms - samples_.back().time_ms >= ms(spacing_s(known.t90_guess_s))) {
        samples_.push({view.time_ms, static_cast<float>(view.value), static_cast<float>(view.temperature_c)});
    }
    Outcome outcome;
    if (blast_to_judge_ && view.time_ms > fall_.end_ms + ms(60.0)) {
        outcome.blast = judge_blast(known);
        blast_to_judge_ = false;
    }
    if (found_) {
        outcome.blast = found_;
        found_.reset();
    } else if (!outcome.blast) {
        outcome.blast = overdue_blast(view, known);
    }
    outcome.test = finish_fall(view, known);
    if (!outcome.test) {
        outcome.test = finish_edge(decline_, view, known);
    }
    if (!outcome.test) {
        outcome.test = finish_edge(rise_, view, known);
    }
    if (!outcome.test) {
        outcome.test = finish_found(view);
    }
    last_ms_ = view.time_ms;
    return outcome;
}

}  // namespace probekeeper::diagnosis
