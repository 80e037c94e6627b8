#include "diagnosis/blast_length.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace probekeeper::diagnosis {
namespace {

// Before anything tells how long blasts are.
constexpr double usual_blast_s = 30.0;
// Of blasts that last so many polls a bit misses none, and the readings see their area. So many teach their
// length before it is used, and so many in all. Guesses.
constexpr double fewest_in_blast = 2.5;
constexpr std::uint32_t enough_told = 4, most_lengths = 200;
// Where no bit tells it, so many blasts teach it, that go this part of saturation or more.
constexpr std::uint32_t enough_lengths = 12;
constexpr double least_way = 0.1;
// A timer's blasts do not differ by more than this part; so many in a row that do are another timer's.
// Guesses.
constexpr double blasts_alike = 0.45;
constexpr std::uint32_t enough_unlike = 8;
// Of the same length one is counted a poll longer than the other, give or take how late a poll may come.
constexpr double one_more = 1.1;

// A timer that comes so many polls sooner or later than the last time falls anywhere between two of them;
// that so many of its blasts did shows that it does. Guesses.
constexpr double out_of_step = 1.5;
constexpr std::uint32_t enough_strewn = 8;

constexpr double no_length = std::numeric_limits<double>::quiet_NaN();

}  // namespace

double BlastLength::Lengths::usual(double length_s, double its_weight, std::uint32_t most,
                                   double known_to_s) {
    bool const alike =
        count == 0 || std::abs(length_s - mean_s) < std::max(blasts_alike * mean_s, known_to_s);
    unlike = alike ? 0 : unlike + 1;
    if (unlike >= enough_unlike) {
        *this = {};
    }
    if (!alike) {
        return no_length;
    }
    if (count < most) {
        ++count;
        weight += its_weight;
        mean_s += (length_s - mean_s) * its_weight / weight;
    }
    return mean_s;
}

// Readings of a bit count a blast's length in polls, too many or too few by chance, so that many tell it
// better than one.
void BlastLength::take(AirStep const& step) {
    if (!step.told_blast()) {
        return;
    }
    told_every_s_ = s_between(step.begin_ms, step.first_ms);
    told_s_ = told_.usual(step.length_s(), 1.0, most_lengths, one_more * told_every_s_);
    follow_timer(step);
    // By one measure or the other, but not by both in turn: they differ by as much as the probe was wrong.
    if (told_.count == enough_told) {
        told_well_ = told_.mean_s > fewest_in_blast * told_every_s_;
    }
}

void BlastLength::follow_timer(AirStep const& step) {
    double const since_s = s_between(told_ms_, step.end_ms);
    bool const other = std::abs(since_s - timer_s_) > out_of_step * told_every_s_;
    strewn_ += timer_s_ > 0.0 && other && strewn_ < most_lengths ? 1U : 0U;
    timer_s_ = told_ms_ == 0 ? 0.0 : since_s;
    told_ms_ = step.end_ms;
}

BlastLength::Known BlastLength::of(AirStep const& step, ResponseFit const& fit, double t90_guess_s) {
    return told_well_ ? by_bit(step, fit) : by_area(step, fit, t90_guess_s);
}

bool BlastLength::told() const {
    return told_.count >= enough_told;
}

double BlastLength::usual_s() const {
    return told_.count > 0 ? told_.mean_s : taught_.count > 0 ? taught_.mean_s : usual_blast_s;
}

// Those of a timer are as long where its bit is missing for a while. One that keeps step with the polls is
// counted alike each time: only by the number of those that do not the error becomes less. Each of these is
// counted so many polls long or one more. The part of them that is `longer` is known as a proportion of so
// many is, by its mean squared error under a beta prior.
BlastLength::Known BlastLength::by_bit(AirStep const& step, ResponseFit const& fit) const {
    // Both parameters of that prior: timers and polls are set in round seconds, so that blasts are all
    // counted alike more often than every other one. A guess.
    constexpr double all_or_none = 0.25;
    double const counted = 1.0 + std::min(strewn_, told_.count);
    double const polls = told_.mean_s / told_every_s_;
    double const longer = polls - std::floor(polls);
    double const expected = (longer * counted + all_or_none) / (counted + 2.0 * all_or_none);
    double const variance = expected * (1.0 - expected) / (counted + 2.0 * all_or_none + 1.0);
    double const error = std::hypot(std::sqrt(variance), expected - longer) / polls;
    return {step.declared ? told_s_ : told_.mean_s, fit.area / told_.mean_s * error, true,
            strewn_ >= enough_strewn};
}

// Where no bit tells it, or one that is read too seldom, the blasts of a timer are as long as those were that
// were seen first, when the probe was right: what has changed since is known all the same.
BlastLength::Known BlastLength::by_area(AirStep const& step, ResponseFit const& fit, double t90_guess_s) {
    double const way = step.saturation - fit.below_step;
    // Near saturation the way is no measure of a length; what the blast then reads is, of whether it is
    // alike.
    bool const teaches = taught_.count < enough_lengths && std::abs(way) > least_way * step.saturation;
    if (taught_.count == 0 && !teaches) {
        return {no_length, no_length, false, false};
    }
    double const level = (fit.below_step + fit.area / taught_.mean_s) / step.saturation;
    double step_s = teaches ? taught_.usual(fit.area / way, way * way, enough_lengths)
                            : taught_.usual(taught_.mean_s * level, 0.0, enough_lengths);
    if (teaches && !std::isnan(step_s)) {
        taught_t90_s_ += (t90_guess_s - taught_t90_s_) * way * way / taught_.weight;
    }
    // While it is being taught it moves with every blast, and what they read in air with it.
    step_s = taught_.count < enough_lengths ? no_length : step_s;
    return {step_s, fit.area / step_s * drift(t90_guess_s), false, true};
}

// How far, as a part of it, a length may be off that blasts of a much slower or quicker probe have taught: of
// a long tail an area has too much.
double BlastLength::drift(double t90_guess_s) const {
    constexpr double like_enough = 0.3, a_factor_e = 0.2;  // of ln T90. Guesses
    double const other = std::abs(std::log(t90_guess_s / taught_t90_s_));
    return a_factor_e * std::max(0.0, other - like_enough);
}

}  // namespace probekeeper::diagnosis
