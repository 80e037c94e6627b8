// The reading where oxygen is truly absent. Only anoxic plateaus that agree with each other, and dry zero
// checks, tell it; a plateau that moves with the load is real oxygen.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

// Many are kept of each probe, so it is small.
struct Plateau {
    std::uint32_t at_s = 0;  // since 1970
    float level = 0.0F;
    bool unaerated = false;  // declared by a bit; else only found flat
};

struct Floor {
    double level = 0.0, error = 0.0;  // mg/L, standard deviation
    std::size_t plateaus = 0;
    std::int64_t at_ms = 0;
    bool sudden = false;  // lower within the last days: oxygen that stays, more likely than residue
};

class BackgroundWatch {
public:
    // `noise`: standard deviation of the reading from one to the next; `resolution`: its smallest step.
    void take(View const& view, double t90_guess_s, double noise, double resolution, bool disturbed);
    void interrupt() { run_start_ms_ = 0; }
    void new_life() {
        plateaus_.clear();
        leapt_ms_ = 0;
    }
    // The output has been dead or stuck since then, and showed nothing of the water.
    void forget_since(std::int64_t time_ms);
    // Call hourly: notes when the floor leaps.
    void watch_for_leap(std::int64_t now_ms);
    // When it last leapt; 0: it has not.
    [[nodiscard]] std::int64_t leapt_ms() const { return leapt_ms_; }

    // By how much the lowest of the newest hours lies above that of all such spells in the two days before,
    // mg/L; 0 where it is little, or where they are too few. Neither residue nor water without air does that
    // within hours.
    [[nodiscard]] double leap(std::int64_t now_ms) const;
    // The lowest that was read without oxygen within the last hours, mg/L; NaN where that was too rarely.
    // Unlike floor() it may be real oxygen.
    [[nodiscard]] double lowest(std::int64_t now_ms) const;
    // The floor as known at `now_ms`; empty where the plateaus are too few or do not agree.
    [[nodiscard]] std::optional<Floor> floor(std::int64_t now_ms) const;
    // Why floor() is empty.
    [[nodiscard]] std::string_view why_unknown(std::int64_t now_ms) const;

private:
    struct Levels;
    [[nodiscard]] Levels levels_between(std::int64_t from_ms, std::int64_t to_ms) const;
    [[nodiscard]] Levels newest_levels(std::int64_t now_ms) const;
    // So many, over so long, and the last so newly that they tell of today.
    [[nodiscard]] static bool enough(Levels const& levels, std::int64_t now_ms);
    [[nodiscard]] bool agree(Levels const& levels) const;
    [[nodiscard]] bool was_lower(double level, std::int64_t now_ms) const;
    void keep(std::int64_t time_ms);

    Ring<Plateau, 160> plateaus_;
    std::int64_t run_start_ms_ = 0;  // 0: no flat run under way
    std::int64_t kept_ms_ = 0;       // of this run, when a plateau was last kept
    std::int64_t last_ms_ = 0;
    std::int64_t leapt_ms_ = 0;
    double run_level_ = 0.0;
    double tolerance_ = 0.0;
    double rounding_ = 0.0;  // what the output's rounding may hide, standard deviation
    double needed_s_ = 0.0;
    float before_leap_ = 0.0F;  // the level, mg/L
    bool run_unaerated_ = false;
    bool run_counts_ = false;
};

}  // namespace probekeeper::diagnosis
