#include "hub/minutes.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::hub {

namespace {

constexpr std::array<document::Spread document::Step::*, shown_quantities> spreads{
    &document::Step::do_mg_l, &document::Step::do_percent, &document::Step::temperature_c};

Timestamp step_start(Timestamp t, Millis step) {
    auto const into = (t.time_since_epoch() % step + step) % step;  // never negative, before 1970 too
    return t - into;
}

}  // namespace

StepMaker::StepMaker(Timestamp from, Timestamp until, Millis step)
    : first_{step_start(from, step)}, end_{step_start(until - Millis{1}, step) + step}, step_{step} {}

void StepMaker::add(Hour const& hour) {
    for (std::size_t i = 0; i < hour.minutes.size() && i < hour.counts.size(); ++i) {
        auto const minute = hour.start + std::chrono::minutes{hour.minutes[i]};
        if (minute >= first_ && minute < end_) {
            add_minute(minute, hour, i);
        }
    }
}

void StepMaker::add_minute(Timestamp minute, Hour const& hour, std::size_t place) {
    auto const start = step_start(minute, step_);
    if (steps_.empty() || steps_.back().start != start) {
        steps_.emplace_back().start = start;
        counts_.emplace_back();
    }
    auto& step = steps_.back();
    step.count += hour.counts[place];
    for (std::size_t q = 0; q < shown_quantities; ++q) {
        auto const& quantity = hour.quantities[q];
        if (place >= quantity.count.size() || !(quantity.count[place] > 0.0)) {
            continue;
        }
        auto& spread = step.*spreads[q];
        auto& count = counts_.back()[q];
        bool const is_first = count == 0.0;
        spread.min = is_first ? quantity.min[place] : std::min(spread.min, quantity.min[place]);
        spread.max = is_first ? quantity.max[place] : std::max(spread.max, quantity.max[place]);
        spread.mean =
            is_first ? quantity.sum[place] : spread.mean + quantity.sum[place];  // the sum until the end
        count += quantity.count[place];
    }
}

void StepMaker::finish() {
    for (std::size_t i = 0; i < steps_.size(); ++i) {
        for (std::size_t q = 0; q < shown_quantities; ++q) {
            if (counts_[i][q] > 0.0) {
                (steps_[i].*spreads[q]).mean /= counts_[i][q];
            }
        }
    }
}

}  // namespace probekeeper::hub
