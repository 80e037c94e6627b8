#include "diagnosis/capture.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "diagnosis/pulse.h"
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
constexpr double rise_every_s = 2.0 * 3600.0;
// Of the way to air, and of saturation: what an undeclared blast in water rich in oxygen must show. Guesses;
// an aerator takes minutes for as much.
constexpr double blast_way_part = 0.4;
constexpr double least_blast_part = 0.04;
// Where so many undeclared exposures have reached air, there is a cleaner: its blasts are looked for when a
// slower probe no longer reaches air in them. What they must then show within a minute and a half, of
// saturation. A guess.
constexpr std::uint32_t a_habit = 3;
constexpr double habitual_part = 0.1;
// A blast that shows less than this part of the usual has not reached the membrane. A guess.
constexpr double blast_gone = 0.45;
constexpr std::uint32_t fewest_reaches = 3;
// Further from the truth than this a reading in air is of no use, percent. Most of it is alike in all blasts
// of a probe: what has changed since the first ones is known far better.
constexpr double worst_air_error = 8.0;
// Of the height that the tail comes from, what the readings must show while the blast lasts.
constexpr double least_held = 0.05;
// So many readings of a bit within a blast tell its length.
constexpr double fewest_in_blast = 4.0;
// Where none does, so many blasts teach it, that go this part of saturation or more.
constexpr std::uint32_t enough_lengths = 12;
constexpr double least_way = 0.1;
// A timer's blasts do not differ by more than this part; so many in a row that do are another timer's.
// Guesses.
constexpr double blasts_alike = 0.45;
constexpr std::uint32_t enough_unlike = 8;

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
    return static_cast<std::int64_t>(s * 1000.0);
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
        fall_.deadline_ms = view.time_ms + ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0));
        fall_.saturation = view.saturation;
        fall_.base = median_before(exposed_from_ms_, 180.0);
        blast_to_judge_ = exposed_by_cleaning_;
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
    double const least_part = habitual ? habitual_part : least_blast_part;
    auto const sudden = [&] {
        double const just_before =
            median_before(view.time_ms - ms(std::max(90.0, 2.0 * poll_s)), std::max(60.0, 2.5 * poll_s));
        return view.value - just_before > std::max(least_part * view.saturation, 12.0 * known.noise);
    };
    bool const blast_like = rich && way > 0.0 && rise > blast_way_part * way;
    bool const lift_like = habitual && rise > habitual_part * view.saturation;
    return lifted || ((blast_like || lift_like) && sudden());
}

// An exposure that no bit declares: the reading leaps towards air faster than water can, and comes back.
void Capture::follow_excursion(View const& view, Known const& known) {
    double const t90_guess_s = known.t90_guess_s;
    if (exposed_ || fall_.active) {
        excursion_.active = false;
        return;
    }
    if (!excursion_.active) {
        bool const quiet = view.time_ms >= exposed_until_ms_ + ms(5.0 * t90_guess_s);
        if (!quiet || (view.value < 0.5 * view.saturation && lifts_ < a_habit)) {
            return;
        }
        auto const back_ms = view.time_ms - std::max(ms(1.5 * t90_guess_s), 2 * (view.time_ms - last_ms_));
        double const span_s = std::max(60.0, 2.5 * s_between(last_ms_, view.time_ms));
        if (!may_leap(view, least_before(back_ms, span_s))) {
            return;
        }
        double const before = median_before(back_ms, span_s);
        if (leaps_up(view, known, before)) {
            bool const lifted = view.value - before > excursion_part * view.saturation;
            double const longest_s = lifted ? longest_excursion_s : 120.0 + 5.0 * t90_guess_s;
            excursion_ = {true, back_ms, view.time_ms, before, view.value, longest_s};
        }
        return;
    }
    if (view.value > excursion_.peak) {
        excursion_.peak = view.value;
        excursion_.peak_ms = view.time_ms;
    }
    end_excursion(view, t90_guess_s);
}

void Capture::end_excursion(View const& view, double t90_guess_s) {
    double const left = (view.value - excursion_.base) / (excursion_.peak - excursion_.base);
    if (left < 0.15) {
        lifts_ +=
            excursion_.peak > near_air * view.saturation && excursion_.base < 0.5 * view.saturation ? 1U : 0U;
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
    } else if (s_between(excursion_.begin_ms, view.time_ms) > excursion_.longest_s) {
        excursion_.active = false;  // it stayed: no exposure but a change of level, for others to judge
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

BlastSeen Capture::judge_blast(Known const& known) {
    BlastSeen seen;
    double extreme = 0.0;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms <= fall_.begin_ms) {
            break;
        }
        extreme = std::max(extreme, std::abs(static_cast<double>(s.value) - fall_.base));
    }
    // Short blasts never reach air, and those of a slow probe less and less: neither is the cleaner's fault.
    double const length_s = s_between(fall_.begin_ms, fall_.end_ms);
    double const allowed = -std::expm1(-length_s * electrode::first_order_t90_over_tau / known.t90_guess_s);
    double const way = std::abs(fall_.saturation - fall_.base) * allowed;
    double const least = std::max(0.015 * fall_.saturation, 8.0 * known.noise);
    double const expected = usual_reach_ * way;
    seen.expected = blast_gone * expected > least;
    // Until the blasts of this membrane have taught how far they reach, any that shows has reached it: one
    // that was badly put on, in water rich in oxygen, reads little more in air.
    double const usual = reaches_ < fewest_reaches ? 0.0 : blast_gone * expected;
    seen.shown = extreme > std::max(usual, least);
    // What wanes over days must not be followed down: only blasts that reach about as usual teach.
    double const reach = way > least ? std::min(extreme / way, 1.5) : 0.0;
    bool const teaches = reaches_ < 12 ? extreme > least : reach > 0.75 * usual_reach_;
    if (seen.expected && teaches) {
        reaches_ = std::min(reaches_ + 1, 50U);
        usual_reach_ += (reach - usual_reach_) / static_cast<double>(reaches_);
    }
    return seen;
}

// The ends of one blast are known to a poll, those of many that a timer makes alike far better. NaN: not
// alike. `most`: so many teach it.
double Capture::usual_length(double length_s, double weight, std::uint32_t most) {
    bool const alike = lengths_ == 0 || std::abs(length_s - length_s_) < blasts_alike * length_s_;
    unlike_ = alike ? 0 : unlike_ + 1;
    if (unlike_ >= enough_unlike) {
        lengths_ = unlike_ = 0;
        lengths_weight_ = 0.0;
    }
    if (!alike) {
        return nan;
    }
    if (lengths_ < most) {
        ++lengths_;
        lengths_weight_ += weight;
        length_s_ += (length_s - length_s_) * weight / lengths_weight_;
    }
    return length_s_;
}

// The reading in air, had it settled, over saturation. After a long lift it has. Of a blast the area tells
// it: height times length, whatever lags. Where no bit tells the length, or one that is read too seldom, the
// blasts of a timer are as long as those were that were seen first, when the probe was right: what has
// changed since is known all the same.
Capture::AirLevel Capture::air_level(ResponseFit const& fit, Known const& known) {
    AirLevel const unknown{nan, nan};
    double const length_s = s_between((fall_.begin_ms + fall_.first_ms) / 2, fall_.end_ms);
    double const percent = 100.0 / fall_.saturation;
    bool const blast = fall_.source == TestSource::cleaning || !fall_.declared;
    if (!blast) {
        bool const settled = fit.set_aside.empty() && length_s > 3.0 * known.t90_guess_s;
        return settled ? AirLevel{percent * (fall_.base + fit.held), 1.0} : unknown;
    }
    // A transmitter that freezes meanwhile shows the water.
    bool const frozen = known.frozen || !(fit.held / fit.step > least_held);
    if (frozen || !(fit.set_aside.empty() || fit.quicker_than_readings)) {
        return unknown;
    }
    double const way = fall_.saturation - fall_.base;
    double const every_s = s_between(fall_.begin_ms, fall_.first_ms);
    bool const told = fall_.declared && every_s * fewest_in_blast < length_s;
    // Near saturation the way is no measure of a length; what the blast then reads is, of whether it is
    // alike.
    bool const teaches = lengths_ < enough_lengths && std::abs(way) > least_way * fall_.saturation;
    double const level = (fall_.base + fit.area / length_s_) / fall_.saturation;
    if (!told && lengths_ == 0 && !teaches) {
        return unknown;
    }
    double const step_s = told      ? usual_length(length_s, 1.0, 200)
                          : teaches ? usual_length(fit.area / way, way * way, enough_lengths)
                                    : usual_length(length_s_ * level, 0.0, enough_lengths);
    double const by_length = told ? 0.3 * every_s * fit.area / (step_s * step_s) : 0.0;
    double const error = std::hypot(1.0, percent * std::hypot(fit.area_error / step_s, by_length));
    // NaN, too.
    return error < worst_air_error ? AirLevel{percent * (fall_.base + fit.area / step_s), error} : unknown;
}

// Blasts that a bit declares: of what else leaps nothing tells when it began and ended.
void Capture::fit_whole(std::span<FitPoint const> points, Known const& known, ResponseFit& fit) const {
    if (fall_.source != TestSource::cleaning || !fit.set_aside.empty() || std::isnan(fall_.base)) {
        return;
    }
    auto const after =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s > 0.0; });
    double const begin_s = s_between(fall_.end_ms, fall_.begin_ms);
    double const first_s = s_between(fall_.end_ms, fall_.first_ms);
    Pulse pulse;
    pulse.begin_s = 0.5 * (begin_s + first_s);
    pulse.begin_gap_s = first_s - begin_s;
    pulse.end_gap_s = after == points.end() ? 0.0 : 2.0 * after->t_s;
    pulse.way = fall_.saturation - fall_.base;
    pulse.frozen = known.frozen || !(fit.held / fit.step > least_held);
    auto const whole = fit_pulse(points, pulse, fit.tau_s, known.noise);
    if (!std::isnan(whole.ln_membrane)) {
        fit.ln_t90_first_order = whole.ln_first_order;
        fit.ln_t90_membrane = whole.ln_membrane;
        fit.membrane_evidence = whole.membrane_evidence;
        fit.ln_error = whole.ln_error;
    }
}

std::optional<Candidate> Capture::finish_fall(View const& view, Known const& known) {
    bool const aeration_changed = aeration_edge_ms_ > fall_.end_ms;
    if (!fall_.active || (view.time_ms < fall_.deadline_ms && !aeration_changed)) {
        return std::nullopt;
    }
    fall_.active = false;
    auto const from_ms =
        fall_.by_hand ? fall_.begin_ms + 1 : fall_.begin_ms - ms(std::max(120.0, 2.0 * known.t90_guess_s));
    auto const to_ms = aeration_changed ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const piece = cut(samples_, from_ms, fall_.end_ms, to_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(fall_.end_ms);
    candidate.source = fall_.source;
    candidate.by_hand = fall_.by_hand;
    candidate.fit = fit_fall(piece.span(), s_between(fall_.end_ms, fall_.begin_ms), known.noise);
    fit_whole(piece.span(), known, candidate.fit);
    candidate.temperature_c = view.temperature_c;
    // A guess: a probe does not slow by half between two tests, and water falls more slowly than any probe.
    if (!fall_.declared && !fall_.by_hand &&
        candidate.fit.tau_s * electrode::first_order_t90_over_tau > 1.6 * known.t90_guess_s &&
        candidate.fit.set_aside.empty()) {
        candidate.fit.set_aside = "slower than the probe: the water itself fell";
    }
    auto const air = fall_.by_hand ? AirLevel{nan, nan} : air_level(candidate.fit, known);
    candidate.air_percent = air.percent;
    candidate.air_error = air.error;
    return candidate;
}

bool Capture::edge_is_over(Edge const& edge, View const& view) const {
    bool const on = edge.source == TestSource::aeration_on;
    bool const turned = aerated_ != (on ? Aerated::on : Aerated::off);
    return turned || view.time_ms >= edge.deadline_ms || (!on && view.value < 0.35 * edge.level);
}

std::optional<Candidate> Capture::finish_edge(Edge& edge, View const& view, Known const& known) {
    if (!edge.active || !edge_is_over(edge, view)) {
        return std::nullopt;
    }
    edge.active = false;
    bool const on = edge.source == TestSource::aeration_on;
    bool const turned = aerated_ != (on ? Aerated::on : Aerated::off);
    auto const to_ms = turned ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const piece = cut(samples_, edge.at_ms - ms(120.0), edge.at_ms, to_ms);
    double const delay_error_s = std::max(known.delay_error_s, 7.0);
    Candidate candidate;
    candidate.time = from_unix_ms(edge.at_ms);
    candidate.source = edge.source;
    candidate.fit = on ? fit_rise(piece.span(), known.delay_s, delay_error_s, known.noise, edge.saturation)
                       : fit_decline(piece.span(), known.delay_s, delay_error_s, known.noise);
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
