#include "diagnosis/air_level.h"

#include <cmath>

namespace probekeeper::diagnosis {
namespace {

// Blasts that no bit declares, before the way up is believed to be seen at all or never, and the part of them
// in which it is seen then. Guesses.
constexpr std::uint32_t enough_found = 4, most_found = 20, part_with_rise = 4;
// Of a probe whose T90 is longer than so many polls two readings always tell the tail: that takes it 0.8 T90
// from four fifths to an eighth of the height.
constexpr double quick_polls = 2.5;
// Further from the truth than this a reading in air is of no use, percent. Most of it is alike in all blasts
// of a probe: what has changed since the first ones is known far better.
constexpr double worst_air_error = 8.0;
// A length that is another by this part all at once is that of another timer. Of the way up that blasts show,
// the newest counts for so much. Guesses.
constexpr double another_timer = 0.1, newest_ways = 0.1;

// The readings of the blast show its way up.
bool shows_rise(AirStep const& step, Samples const& samples) {
    double top = step.base;
    std::int64_t top_ms = 0;
    auto const in_blast = [&](Sample const& s) {
        return s.time_ms > step.begin_ms && s.time_ms <= step.end_ms;
    };
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples[i];
        if (in_blast(s) && static_cast<double>(s.value) > top) {
            top = static_cast<double>(s.value);
            top_ms = s.time_ms;
        }
    }
    bool seen = false;
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples[i];
        double const part = (static_cast<double>(s.value) - step.base) / (top - step.base);
        seen = seen || (in_blast(s) && s.time_ms < top_ms && part > on_the_way_from && part < on_the_way_to);
    }
    return seen;
}

}  // namespace

// A transmitter that freezes its output while the probe is cleaned leaps to where the probe is by then: no
// reading lies on the way up, and the area is that of the tail alone, which grows as the probe slows. Where a
// bit tells the blast, habits.h knows; else it takes some blasts to tell. So does a probe that is up within a
// poll.
bool AirLevels::rises_seen(AirStep const& step, Samples const& samples) {
    bool const seen = shows_rise(step, samples);
    if (found_blasts_ == most_found) {
        found_blasts_ /= 2;
        found_rises_ /= 2;
    }
    ++found_blasts_;
    found_rises_ += seen ? 1U : 0U;
    return found_blasts_ >= enough_found && found_rises_ * part_with_rise >= found_blasts_;
}

AirLevel AirLevels::take(AirStep const& step, ResponseFit const& fit, Samples const& samples,
                         ProbeKnown const& known, bool fell_short) {
    length_.take(step);
    if (step.by_hand) {
        return {};
    }
    bool const blast = step.source == TestSource::cleaning || !step.declared;
    if (!blast) {
        bool const settled = fit.set_aside.empty() && step.length_s() > 3.0 * known.t90_guess_s;
        double const percent = 100.0 / step.saturation;
        return settled ? AirLevel{percent * (step.base + fit.held), 1.0, 1.0} : AirLevel{};
    }
    // A transmitter that freezes meanwhile shows the water.
    bool const frozen = output_froze(fit, known) || (!step.declared && !rises_seen(step, samples));
    return frozen || fell_short ? AirLevel{} : of_blast(step, fit, samples, known);
}

AirLevel AirLevels::of_blast(AirStep const& step, ResponseFit const& fit, Samples const& samples,
                             ProbeKnown const& known) {
    // Few readings in the tail of a probe that is known to be slower: the water moved, and the area is none.
    double const poll_s =
        samples.size() < 2 ? 0.0 : s_between(samples.from_back(1).time_ms, samples.back().time_ms);
    bool const quick = fit.quicker_than_readings && known.t90_guess_s < quick_polls * poll_s;
    if (!(fit.set_aside.empty() || quick) || (step.declared && !length_.told())) {
        return {};
    }
    auto const length = length_.of(step, fit, known.t90_guess_s);
    double const percent = 100.0 / step.saturation, way = percent * fit.area / length.s;
    double const by_chance = percent * fit.area_error / length.s, of_length = percent * length.error;
    double const error = std::hypot(1.0, std::hypot(by_chance, of_length));
    // NaN, too.
    if (!(error < worst_air_error)) {
        return {};
    }
    double const water = percent * fit.below_step;
    return {
        water + way, error, length.at_random ? of_length : error, length.told, corrects_former(way, length.s),
        water};
}

// A length that is counted in polls comes out of many blasts only, and what the former ones read in air was
// reckoned with the length as it was known by then: that their level moves with it is no drift of the probe.
double AirLevels::corrects_former(double way, double length_s) {
    double const grown = reckoned_s_ > 0.0 ? length_s / reckoned_s_ - 1.0 : 0.0;
    double const of_former = std::abs(grown) < another_timer ? -way_ * grown : 0.0;
    way_ += (way - way_) * (reckoned_s_ > 0.0 ? newest_ways : 1.0);
    reckoned_s_ = length_s;
    return of_former;
}

}  // namespace probekeeper::diagnosis
