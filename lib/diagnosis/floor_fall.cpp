#include "diagnosis/floor_fall.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/piece.h"

namespace probekeeper::diagnosis {
namespace {

// Water that has less has little to fall from. A guess.
constexpr double high_part = 0.12;
// What the level was lately; a fall is plain when so much of it is left.
constexpr double lately_s = 90.0;
constexpr double plain_part = 0.8;
constexpr double fall_lasts_s = 900.0;
// Where the fall, run backwards, meets the level before it, the water is ahead by the lag.
constexpr double upper_part = 0.85, lower_part = 0.45;
constexpr double usual_lead_s = 45.0;
constexpr double before_fall_s = 120.0;
// Water whose level changes by more within two minutes was on its way already. A guess.
constexpr double steady_part = 0.1;

// Unix ms where the straight part of the fall, run backwards, meets the level.
std::int64_t bend_ms(Samples const& samples, std::int64_t from_ms, double level) {
    std::int64_t upper_ms = 0, lower_ms = 0;
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples.from_back(i);
        if (s.time_ms < from_ms) {
            break;
        }
        double const part = static_cast<double>(s.value) / level;
        lower_ms = lower_ms == 0 && part >= lower_part ? s.time_ms : lower_ms;
        if (part >= upper_part) {
            upper_ms = s.time_ms;
            break;
        }
    }
    if (upper_ms == 0) {
        return 0;
    }
    double const back = (1.0 - upper_part) / (upper_part - lower_part);
    return upper_ms - static_cast<std::int64_t>(back * static_cast<double>(lower_ms - upper_ms));
}

bool steady_before(Samples const& samples, std::int64_t at_ms) {
    double const late = median_before(samples, at_ms, 60.0);
    double const early = median_before(samples, at_ms - as_ms(before_fall_s), 60.0);
    return std::abs(late - early) < steady_part * late;
}

}  // namespace

// When the air may have stopped; 0: no straight fall leads back to it.
std::int64_t FloorFall::begin_ms(Samples const& samples) const {
    auto const from_ms = began_ms_ - as_ms(300.0);
    auto const lately = static_cast<double>(level_);
    auto const roughly_ms = bend_ms(samples, from_ms, lately);
    // By then what it was lately has begun to follow the fall.
    double const before = median_before(samples, roughly_ms - as_ms(60.0), 60.0);
    auto const bend = before > lately ? bend_ms(samples, from_ms, before) : roughly_ms;
    return roughly_ms == 0 || bend == 0 ? 0 : bend - as_ms(usual_lead_s);
}

void FloorFall::take(View const& view, std::int64_t last_ms) {
    auto const value = static_cast<float>(view.value);
    if (began_ms_ != 0) {
        if (value > level_) {
            drop();
        }
        return;
    }
    bool const high = static_cast<double>(level_) > high_part * view.saturation;
    if (high && value < static_cast<float>(plain_part) * level_) {
        began_ms_ = view.time_ms;
        saturation_ = static_cast<float>(view.saturation);
        return;
    }
    double const part = last_ms == 0 ? 1.0 : std::min(1.0, s_between(last_ms, view.time_ms) / lately_s);
    level_ += static_cast<float>(part) * (value - level_);
}

std::optional<Candidate> FloorFall::finish(View const& view, ProbeKnown const& known,
                                           Samples const& samples) {
    bool const down = view.value < 0.9 * decline_down_to * static_cast<double>(level_);
    if (began_ms_ == 0 || (!down && view.time_ms < began_ms_ + as_ms(fall_lasts_s))) {
        return std::nullopt;
    }
    auto const at_ms = begin_ms(samples);
    double const saturation = static_cast<double>(saturation_);
    drop();
    if (at_ms == 0 || !steady_before(samples, at_ms)) {
        return std::nullopt;
    }
    auto const piece = cut(samples, at_ms - as_ms(before_fall_s), at_ms, view.time_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(at_ms);
    candidate.source = TestSource::aeration_off;
    candidate.fit = fit_found_fall(piece.span(), known.noise, saturation, known.zero);
    candidate.temperature_c = view.temperature_c;
    return candidate;
}

}  // namespace probekeeper::diagnosis
