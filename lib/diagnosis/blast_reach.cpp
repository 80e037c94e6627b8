#include "diagnosis/blast_reach.h"

#include <algorithm>
#include <cmath>

#include "electrode/first_order.h"

namespace probekeeper::diagnosis {
namespace {

// A blast that shows less than this part of the usual has not reached the membrane. A guess.
constexpr double blast_gone = 0.45;
constexpr std::uint32_t fewest_reaches = 3;
// One that shows less than this part may have reached it only in part, and does not tell the span; of a span
// itself that has lost so much others tell. A guess.
constexpr double span_reach = 0.75;
// Where no temperature tells the saturation of a water, only water well below it shows how far a blast is
// from air.
constexpr double surely_low = 0.4;
// Of saturation: by so much weather and an unknown error of the span may bring the reading in air nearer. A
// guess.
constexpr double air_doubt = 0.02;
// Of saturation: water that rich is rarer than a probe that reads far too much, and then in air, too. A
// guess.
constexpr double most_in_water = 1.75;

// So many blasts tell a line, and the newest of about so many. Before they tell its slope, a blast goes so
// far of the way: that counts as much as so many blasts whose bases are 1 mg/L off their mean. Guesses.
constexpr float enough_on_line = 8.0F, most_on_line = 40.0F;
constexpr double usual_slope = -0.7, slope_weight = 4.0;
// Of saturation: so far weather and seasons may move what air reads from where the line was learned. A guess.
constexpr double line_doubt = 0.05;

// Of the way to air: short blasts never reach it, and those of a slow probe less and less: neither is the
// cleaner's fault.
double allowed_part(double length_s, double t90_guess_s) {
    return -std::expm1(-length_s * electrode::first_order_t90_over_tau / t90_guess_s);
}

}  // namespace

void BlastLine::take(double base, double step) {
    count_ = std::min(count_ + 1.0F, most_on_line);
    float const gain = 1.0F / count_;
    float const off = static_cast<float>(base) - bases_, step_off = static_cast<float>(step) - steps_;
    bases_ += gain * off;
    steps_ += gain * step_off;
    squares_ += gain * ((1.0F - gain) * off * off - squares_);
    products_ += gain * ((1.0F - gain) * off * step_off - products_);
}

std::optional<double> BlastLine::step(double base) const {
    if (count_ < enough_on_line) {
        return std::nullopt;
    }
    auto const count = static_cast<double>(count_);
    double const slope = (slope_weight * usual_slope + count * static_cast<double>(products_)) /
                         (slope_weight + count * static_cast<double>(squares_));
    return static_cast<double>(steps_) + slope * (base - static_cast<double>(bases_));
}

BlastSeen BlastReach::seen_by_line(Blast const& blast, double allowed, double read, double least) {
    BlastSeen seen;
    auto const usual = line_.step(blast.base);
    double const sure = usual ? std::max(0.0, std::abs(*usual) - line_doubt * blast.saturation) : 0.0;
    seen.expected = blast_gone * sure * allowed * read > least;
    // The line moves with the seasons, and must be followed: it is sure only of a blast that does nothing.
    seen.shown = std::abs(blast.height) > least;
    if (seen.shown) {
        line_.take(blast.base, blast.height / allowed);
    }
    return seen;
}

double BlastReach::usual_part(double length_s, double t90_guess_s) const {
    return usual_reach_ * allowed_part(length_s, t90_guess_s);
}

BlastSeen BlastReach::take(Blast const& blast, ProbeKnown const& known) {
    BlastSeen seen;
    double const extreme = std::abs(blast.height);
    double const allowed = allowed_part(blast.length_s, known.t90_guess_s);
    double const to_air = std::abs(known.in_air * blast.saturation - blast.base);
    double const way = to_air * allowed;
    double const least = std::max(0.015 * blast.saturation, 8.0 * known.noise);
    double const expected = usual_reach_ * std::max(0.0, to_air - air_doubt * blast.saturation) * allowed;
    bool const far_from_air =
        blast.base < (known.saturation_known ? most_in_water : surely_low) * blast.saturation;
    // What the first reading after it sees of its height, on average.
    double const read =
        std::exp(-0.5 * blast.unread_s * electrode::first_order_t90_over_tau / known.t90_guess_s);
    auto const seen_of = [&](double height) { return far_from_air && blast_gone * height * read > least; };
    seen.expected = seen_of(expected);
    // Until the blasts of this membrane have taught how far they reach, any that shows has reached it: one
    // that was badly put on, in water rich in oxygen, reads little more in air.
    double const usual = reaches_ < fewest_reaches ? 0.0 : blast_gone * expected * read;
    seen.shown = extreme > std::max(usual, least);
    // What wanes over days must not be followed down: only blasts that reach about as usual teach.
    double const reach = way > least ? std::min(extreme / way, 1.5) : 0.0;
    bool const teaches = reaches_ < 12 ? extreme > least : reach > 0.75 * usual_reach_;
    seen.short_of_usual = !seen.shown || (reaches_ >= fewest_reaches && reach < span_reach * usual_reach_);
    fell_short_ = seen.expected ? seen.short_of_usual : fell_short_;
    // One that was hardly read may have taught too little: what is usual must not be asked whether to learn.
    if (seen_of(way) && teaches) {
        reaches_ = std::min(reaches_ + 1, 50U);
        usual_reach_ += (reach - usual_reach_) / static_cast<double>(reaches_);
    }
    if (known.saturation_known) {
        return seen;
    }
    auto const by_line = seen_by_line(blast, allowed, read, least);
    return by_line.expected ? by_line : seen;
}

}  // namespace probekeeper::diagnosis
