// Watches the readings of one probe for events that test its response - a cleaning blast, a lift into air,
// the aeration switched off or on - and has the piece of readings fitted that each one needs.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/air_edges.h"
#include "diagnosis/air_level.h"
#include "diagnosis/air_step.h"
#include "diagnosis/blast_reach.h"
#include "diagnosis/blast_timer.h"
#include "diagnosis/candidate.h"
#include "diagnosis/excursion.h"
#include "diagnosis/fall_doubts.h"
#include "diagnosis/floor_fall.h"
#include "diagnosis/floor_rise.h"
#include "diagnosis/many_blasts.h"
#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class Capture {
public:
    using Known = ProbeKnown;
    struct Outcome {
        std::optional<Candidate> test;
        std::optional<BlastSeen> blast;
    };

    Outcome take(View const& view, Known const& known);

    // A hand put the probe back into the water at `back_ms`, after long in air; no bit told of it, and
    // readings since are kept.
    void put_back(std::int64_t back_ms, View const& now, double t90_guess_s);

    // How far blasts reach has to be learned anew.
    void new_membrane() {
        reach_.new_membrane();
        many_.begin_anew();
    }
    // The response may have stepped: what blasts before it said is of another one.
    void wiped() { many_.begin_anew(); }

    // After a gap in the readings nothing that was being watched can be finished.
    void interrupt();

    // True while the reading is still under the influence of an exposure or an aeration edge.
    [[nodiscard]] bool disturbed(std::int64_t time_ms, double t90_guess_s) const;
    // So long the membrane has seen the water alone, and shows nothing else any more; past `time_ms` where
    // it does not yet.
    [[nodiscard]] std::int64_t in_water_since_ms(std::int64_t time_ms, double t90_guess_s) const;
    [[nodiscard]] Samples const& samples() const { return samples_; }
    [[nodiscard]] std::int64_t aeration_since_ms() const { return edges_.since_ms(); }
    [[nodiscard]] Aerated aerated() const { return edges_.aerated(); }

private:
    void follow_exposure(View const& view, double t90_guess_s);
    void follow_floor(View const& view, Known const& known);
    [[nodiscard]] std::int64_t view_begins_at_ms(double t90_guess_s) const;
    [[nodiscard]] std::optional<BlastSeen> follow_excursion(View const& view, Known const& known);
    [[nodiscard]] std::optional<BlastSeen> told_blast(View const& view, Known const& known);
    [[nodiscard]] std::optional<BlastSeen> overdue_blast(View const& view, Known const& known);
    [[nodiscard]] std::optional<Candidate> finish_fall(View const& view, Known const& known);
    void join_others(std::span<FitPoint const> points, Known const& known, Candidate& candidate);

    Samples samples_;
    AirStep fall_;
    AirEdges edges_;
    ExcursionWatch excursion_;
    FloorRise floor_;
    FloorFall floor_fall_;
    BlastTimer timer_;
    BlastReach reach_;
    AirLevels air_;
    ManyBlasts many_;
    SlowFalls slow_falls_;
    std::int64_t last_ms_ = 0;
    std::int64_t exposed_from_ms_ = 0;   // last reading before the running exposure
    std::int64_t exposed_first_ms_ = 0;  // first reading in it
    std::int64_t exposed_until_ms_ = 0;
    bool exposed_ = false;
    bool exposed_by_cleaning_ = false;
    bool blast_to_judge_ = false;
};

}  // namespace probekeeper::diagnosis
