// Exposures to air that no bit declares: the reading leaps towards air faster than water can, and comes back.
#pragma once

#include <cstdint>

#include "diagnosis/candidate.h"
#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class ExcursionWatch {
public:
    enum class Turn : std::uint8_t {
        none,
        back,   // over, and the reading fell again: its begin, base, peak and peak_ms are told below
        stayed  // over: the water's doing, or a change of level, for others to judge
    };
    struct Around {
        std::int64_t last_ms = 0;           // of the reading before; 0: none
        std::int64_t exposed_until_ms = 0;  // by the newest exposure
        std::int64_t air_edge_ms = 0;       // of the aeration, the newest
        bool busy = false;                  // an exposure, or the fall after one: no leap is looked for
    };
    // Readings in order of time; `samples` are those before this one.
    [[nodiscard]] Turn take(View const& view, ProbeKnown const& known, Samples const& samples,
                            Around const& around);
    void drop() { active_ = false; }

    [[nodiscard]] bool active() const { return active_; }
    // Of the newest one, active or not.
    [[nodiscard]] std::int64_t begin_ms() const { return begin_ms_; }
    [[nodiscard]] std::int64_t peak_ms() const { return peak_ms_; }
    [[nodiscard]] double base() const { return base_; }
    [[nodiscard]] double peak() const { return peak_; }

    // How far a blast in such water must drive the reading to be found.
    [[nodiscard]] static double found_from(View const& view, double noise);

private:
    void look_for_one(View const& view, ProbeKnown const& known, Samples const& samples,
                      Around const& around);
    [[nodiscard]] Turn end(View const& view, std::int64_t air_edge_ms);
    [[nodiscard]] bool may_leap(View const& view, double least) const;
    [[nodiscard]] bool leaps_up(View const& view, double noise, Samples const& samples, double poll_s,
                                double before) const;

    bool active_ = false;
    std::int64_t begin_ms_ = 0;
    std::int64_t peak_ms_ = 0;
    double base_ = 0.0;
    double peak_ = 0.0;
    double longest_s_ = 0.0;   // till it must be back
    std::uint32_t lifts_ = 0;  // exposures found in the readings that reached air
};

}  // namespace probekeeper::diagnosis
