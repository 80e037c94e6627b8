// Whether a probe's output is alive: it moves as its resolution and water must make it move, and it is not
// zero where the water cannot be.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class LivenessWatch {
public:
    void take(View const& view, bool disturbed = false);
    void interrupt();
    // Another cell behind another membrane: how long it repeats one value is to be learned anew.
    void new_life(std::int64_t now_ms);
    // Once an hour: remembers how lively the hour was.
    void close_hour(std::int64_t now_ms);

    // The smallest step between different readings seen, mg/L; 0 until known.
    [[nodiscard]] double resolution() const;
    // The output has repeated one value for longer than this probe in this water ever did, and than it ever
    // stayed within a step of itself: a coarse one that a controller holds hardly leaves its value. Judged on
    // mg/L, % and hPa alike: of a device that gives one of them, the others go on moving with the
    // temperature. Zero repeated is not stuck: see dead_zero().
    struct Stuck {
        double value = 0.0;
        std::string_view unit;
        std::int64_t since_ms = 0;
        bool creeps = false;  // it is not one value, but moves as a thermometer alone would move it
    };
    [[nodiscard]] std::optional<Stuck> stuck() const;
    // Asked at each weighing while air that should bring oxygen is on, since `on_since_ms`, and no neighbour
    // shows that it brings none.
    void follow_air(std::int64_t now_ms, std::int64_t on_since_ms);
    // What is known of the oxygen that a living cell would have read.
    struct Oxygen {
        double aerated_for_s = 0.0;    // 0: the water is not aerated, or nothing tells
        bool air_untold = false;       // nothing tells whether it is
        bool blasted_in_vain = false;  // blasts brought air to the membrane itself, and none showed
    };
    // The output has been at zero for longer than the water ever was, and with no movement; by far longer,
    // where nothing tells of the air; or the air has come on again and again and left it there. A silence
    // since the newest reading counts for nothing.
    [[nodiscard]] bool dead_zero(Oxygen const& oxygen) const;
    [[nodiscard]] std::int64_t zero_since_ms() const { return zero_start_ms_; }
    // The reading has been far above anything the days before showed, as a part of saturation.
    [[nodiscard]] bool leaking(std::int64_t now_ms) const;
    // The highest readings of the last hours over those of the days before; 0 until known.
    [[nodiscard]] double level_leap() const;
    [[nodiscard]] std::int64_t high_since_ms() const { return high_start_ms_; }

private:
    // Of a device that gives percent alone: readings that go from one to the next by two steps at most, as
    // those of a frozen cell do, whose percent its thermometer moves.
    struct Creep {
        std::int64_t start_ms = 0, longest_ms = 0;  // 0: none under way; of those before
        std::uint32_t count = 0, changes = 0;       // its readings, and how many differ from the one before
        float usual_count = 0.0F, usual_changes = 0.0F;  // of those before
        float least = 0.0F, most = 0.0F, last = 0.0F;
        void take(double value, double resolution, std::int64_t time_ms, std::int64_t last_ms);
        void end(std::int64_t last_ms);
    };
    // Readings of one and the same value, of one quantity, to within the device's rounding.
    struct Run {
        std::int64_t start_ms = 0;       // 0: none under way
        std::int64_t longest_ms = 0;     // before the running one
        double least = 0.0, most = 0.0;  // of the run: one value, to within rounding
        double resolution = 0.0;         // smallest step seen; 0 until known
        std::uint32_t count = 0;
        // The spell within one step up or down that the newest value belongs to, and the longest such spell
        // before it.
        std::int64_t calm_ms = 0, longest_calm_ms = 0;  // since when; 0: none under way
        double lowest = 0.0, highest = 0.0;
        std::int64_t cut_off_ms = 0;  // how long one was that a gap cut off: a habit if it ends with that
        // The longest spell that was over, or under way, when the run began.
        [[nodiscard]] std::int64_t calm_before_ms() const;
        void follow_calm(double reading, double tolerance, std::int64_t time_ms, std::int64_t last_ms);
        void end_calm(std::int64_t last_ms);
        void end(std::int64_t last_ms);
        void cut_off(std::int64_t last_ms);
    };
    void follow_runs(View const& view);
    void follow_run(Run& run, double value, double tolerance, std::int64_t time_ms) const;
    [[nodiscard]] bool is_stuck(Run const& run) const;
    // Of percent that are worked out from coarse mg/L: they repeat where mg/L do and the thermometer rests.
    [[nodiscard]] bool repeats_with_mg_l(std::size_t quantity) const;
    [[nodiscard]] bool only_creeps() const;
    // The same value, not zero, all the time that the output has been about zero.
    [[nodiscard]] bool repeats_near_zero() const;
    void follow_zero(View const& view);
    void follow_high(View const& view);
    [[nodiscard]] bool aired_in_vain() const;

    Ring<float, 96> hourly_high_;  // highest part of saturation in each of the last hours
    std::int64_t first_ms_ = 0;
    std::int64_t life_ms_ = 0;  // since when its runs have been followed
    std::int64_t last_ms_ = 0;
    std::array<Run, 3> runs_{};  // mg/L, %, hPa
    Creep creep_;                // of %, where that is all
    std::int64_t zero_start_ms_ = 0;
    std::int64_t high_start_ms_ = 0;
    std::int64_t hour_ms_ = 0;
    std::int64_t longest_zero_ms_ = 0;            // before the running one
    std::int64_t air_ms_ = 0, air_asked_ms_ = 0;  // since when the newest air was on; when it was asked for
    float air_s_ = 0.0F;                          // while it reads zero, in all
    std::uint32_t airs_ = 0, most_airs_ = 0;      // that came on while it reads zero; at most, before
    double hour_high_ = -1.0;
    double usual_high_ = 0.0;  // upper level of the reading over saturation in the last days
    double last_value_ = 0.0;
    double saturation_ = 9.1;
    bool zero_leapt_ =
        false;  // the reading fell to zero within one poll, which neither water nor membrane can
};

}  // namespace probekeeper::diagnosis
