// A cleaner's timer, as the blasts tell it that no bit declares: when the next one must come.
#pragma once

#include <cstdint>

namespace probekeeper::diagnosis {

class BlastTimer {
public:
    // A blast was found in the readings: it has come when the others let expect it, or teaches when they
    // come.
    void found(std::int64_t at_ms);
    // What stopped the readings may have stopped the timer: how often it blasts stays known.
    void interrupt() { last_ms_ = due_ms_ = 0; }

    // The next blast would have been found by now. It stays so until `pass()` waits for the one after it.
    [[nodiscard]] bool overdue(std::int64_t time_ms, double t90_guess_s) const {
        return due_ms_ != 0 && time_ms >= due_ms_ + slack_ms(t90_guess_s);
    }
    void pass();
    // How late a blast may be found.
    [[nodiscard]] std::int64_t slack_ms(double t90_guess_s) const;

private:
    std::int64_t last_ms_ = 0;  // newest blast found; 0: none since a gap
    std::int64_t due_ms_ = 0;   // the next one; 0: not known
    double every_s_ = 0.0;
    std::uint32_t alike_ = 0;  // intervals that agree with it
};

}  // namespace probekeeper::diagnosis
