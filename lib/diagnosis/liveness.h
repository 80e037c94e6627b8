// Whether a probe's output is alive: it moves as its resolution and water must make it move, and it is not
// zero where the water cannot be.
#pragma once

#include <cstdint>

#include "diagnosis/capture.h"
#include "diagnosis/samples.h"

namespace probekeeper::diagnosis {

class LivenessWatch {
public:
    void take(View const& view);
    void interrupt();
    // Once an hour: remembers how lively the hour was.
    void close_hour(std::int64_t now_ms);

    // The smallest step between different readings seen, mg/L; 0 until known.
    [[nodiscard]] double resolution() const { return resolution_; }
    // The output has repeated one value for longer than this probe in this water ever did.
    [[nodiscard]] bool stuck() const;
    [[nodiscard]] double stuck_value() const { return run_value_; }
    [[nodiscard]] std::int64_t stuck_since_ms() const { return run_start_ms_; }
    // The output has been at zero for longer than the water ever was, and with no movement.
    // `aerated_for_s`: how long the water has been aerated, 0 if it is not or if nothing tells.
    [[nodiscard]] bool dead_zero(std::int64_t now_ms, double aerated_for_s) const;
    [[nodiscard]] std::int64_t zero_since_ms() const { return zero_start_ms_; }
    // The reading has been far above anything the days before showed, as a part of saturation.
    [[nodiscard]] bool leaking(std::int64_t now_ms) const;
    // The highest readings of the last hours over those of the days before; 0 until known.
    [[nodiscard]] double level_leap() const;
    [[nodiscard]] std::int64_t high_since_ms() const { return high_start_ms_; }

private:
    void follow_run(View const& view);
    void follow_zero(View const& view);
    void follow_high(View const& view);

    Ring<float, 96> hourly_high_;  // highest part of saturation in each of the last hours
    std::int64_t first_ms_ = 0;
    std::int64_t last_ms_ = 0;
    std::int64_t run_start_ms_ = 0;
    std::int64_t zero_start_ms_ = 0;
    std::int64_t high_start_ms_ = 0;
    std::int64_t hour_ms_ = 0;
    std::int64_t longest_run_ms_ = 0;   // of one value, before the running one
    std::int64_t longest_zero_ms_ = 0;  // before the running one
    double run_value_ = 0.0;
    double resolution_ = 0.0;
    double hour_high_ = -1.0;
    double usual_high_ = 0.0;  // upper level of the reading over saturation in the last days
    double last_value_ = 0.0;
    std::uint32_t run_count_ = 0;
    bool zero_leapt_ =
        false;  // the reading fell to zero within one poll, which neither water nor membrane can
};

}  // namespace probekeeper::diagnosis
