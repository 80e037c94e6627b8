// Turns "how sure are we just now" into a reason that stands: raised when the evidence has been strong for
// long enough, dropped when it has been weak for long enough, and deaf to what lies between.
#pragma once

#include <cstdint>

namespace probekeeper::diagnosis {

// How long evidence must last, in seconds, and how strong it must be to raise a reason.
struct Patience {
    static constexpr double sure = 0.95;
    double raise_s = 0.0;
    double drop_s = 0.0;
    double raise_at = sure;
};

class Tracker {
public:
    static constexpr double sure = Patience::sure;
    static constexpr double doubtful = 0.3;

    // `probability` that the limit is passed, at `now_ms`. Without evidence (a negative probability) nothing
    // changes: a reason does not go away because nobody looked.
    void take(std::int64_t now_ms, double probability, Patience patience) {
        if (probability < 0.0) {
            sure_ms_ = 0;
            return;
        }
        probability_ = probability;
        if (probability > 0.5) {
            over_ms_ = over_ms_ == 0 ? now_ms : over_ms_;
        } else if (!standing_) {
            over_ms_ = 0;
        }
        sure_ms_ = probability >= patience.raise_at ? (sure_ms_ == 0 ? now_ms : sure_ms_) : 0;
        doubt_ms_ = probability < doubtful ? (doubt_ms_ == 0 ? now_ms : doubt_ms_) : 0;
        if (!standing_ && sure_ms_ != 0 && now_ms - sure_ms_ >= ms(patience.raise_s)) {
            standing_ = true;
            raised_ms_ = now_ms;
        } else if (standing_ && doubt_ms_ != 0 && now_ms - doubt_ms_ >= ms(patience.drop_s)) {
            *this = Tracker{};
        }
    }
    void reset() { *this = Tracker{}; }

    [[nodiscard]] bool standing() const { return standing_; }
    [[nodiscard]] double probability() const { return probability_; }
    [[nodiscard]] std::int64_t raised_ms() const { return raised_ms_; }
    // When the limit was more likely passed than not.
    [[nodiscard]] std::int64_t over_ms() const { return over_ms_; }

private:
    static std::int64_t ms(double s) { return static_cast<std::int64_t>(s * 1000.0); }

    std::int64_t over_ms_ = 0, sure_ms_ = 0, doubt_ms_ = 0, raised_ms_ = 0;
    double probability_ = 0.0;
    bool standing_ = false;
};

}  // namespace probekeeper::diagnosis
