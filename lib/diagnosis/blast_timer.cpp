#include "diagnosis/blast_timer.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/piece.h"

namespace probekeeper::diagnosis {
namespace {

// Intervals between blasts that are found, before a timer is known by them; how far they may be off, as a
// part of it; and how many blasts in a row may have been overlooked between two. Guesses.
constexpr std::uint32_t enough_alike = 6, most_alike = 20;
constexpr double timer_off = 0.12;
constexpr double most_overlooked = 3.0;

}  // namespace

void BlastTimer::found(std::int64_t at_ms) {
    double const since_s = last_ms_ == 0 ? 0.0 : s_between(last_ms_, at_ms);
    last_ms_ = at_ms;
    if (since_s > 0.0 && every_s_ > 0.0) {
        double const n = std::max(1.0, std::round(since_s / every_s_));
        double const off = std::abs(since_s - n * every_s_);
        if (n <= most_overlooked && off < timer_off * every_s_) {
            alike_ = std::min(alike_ + 1, most_alike);
            every_s_ += (since_s / n - every_s_) / (alike_ + 1.0);
        } else if (n <= most_overlooked) {
            alike_ /= 2;
            every_s_ = alike_ == 0 ? since_s : every_s_;
        }
    } else if (since_s > 0.0) {
        every_s_ = since_s;
    }
    due_ms_ = alike_ >= enough_alike ? at_ms + as_ms(every_s_) : 0;
}

void BlastTimer::pass() {
    due_ms_ += as_ms(every_s_);
}

std::int64_t BlastTimer::slack_ms(double t90_guess_s) const {
    return as_ms(timer_off * every_s_ + 60.0 + 2.0 * t90_guess_s);
}

}  // namespace probekeeper::diagnosis
