// Watches the readings of one probe for events that test its response - a cleaning blast, a lift into air,
// the aeration switched off or on - and cuts out the piece of readings that each one needs.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "base/reading.h"
#include "diagnosis/air_fall.h"
#include "diagnosis/pulse.h"
#include "diagnosis/response.h"
#include "diagnosis/samples.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

// What the water and the device are doing, as far as it is declared.
enum class Aerated : std::uint8_t { unknown, off, on };

// One reading as the rest of this room sees it.
struct View {
    std::int64_t time_ms = 0;
    double value = 0.0;          // mg/L, or its stand-in
    double saturation = 9.1;     // of this water now, same unit
    double temperature_c = 0.0;  // NaN where not read
    Aerated aerated = Aerated::unknown;
    double airflow = not_read;
    bool exposed = false;  // cleaning or hold: the membrane does not see the water
    bool cleaning = false;
    // mg/L, % and hPa as they came: one of them is what the device gives, the others move with temperature.
    std::array<double, 3> given{not_read, not_read, not_read};
};

struct Candidate {
    Timestamp time{};
    TestSource source = TestSource::cleaning;
    ResponseFit fit;
    double temperature_c = 0.0;  // NaN where not read
    bool by_hand = false;        // somebody put it back after work
    bool air_timed = false;      // a measured airflow told when the air stopped
    // Of a step into air that had time to settle: the reading in air over saturation, in percent, and how
    // well it is known (standard deviation). NaN otherwise.
    double air_percent = 0.0;
    double air_error = 0.0;
    bool air_absolute = false;  // else it is as of a probe that was right when its blasts taught their length
};

// What a blast did to the reading: enough to see blasts that no longer reach the membrane.
struct BlastSeen {
    bool expected = false;  // the water was far enough from air for a blast to show
    bool shown = false;
};

class Capture {
public:
    // What fits start from. `t90_guess_s`, today's best idea of the probe's T90 in this water, also decides
    // how long to watch.
    struct Known {
        double t90_guess_s = 60.0;
        double delay_s = 5.0, delay_error_s = 20.0;  // of the aerator
        double membrane_probability = 0.5;           // of the kind of response
        double noise = 0.01;                         // standard deviation of a reading
        bool frozen = false;                         // the output, while the probe is cleaned
        double resolution = 0.0;                     // of the reading
        bool find_edges = false;                     // nothing else has tested it for long
        bool saturation_known = true;                // else the view's is a guess
        double in_air = 1.0;                         // what it reads in air, over saturation
    };
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
        reaches_ = 0;
        fell_short_ = false;
    }

    // After a gap in the readings nothing that was being watched can be finished.
    void interrupt();

    // True while the reading is still under the influence of an exposure or an aeration edge.
    [[nodiscard]] bool disturbed(std::int64_t time_ms, double t90_guess_s) const;
    // So long the membrane has seen the water alone, and shows nothing else any more; past `time_ms` where
    // it does not yet.
    [[nodiscard]] std::int64_t in_water_since_ms(std::int64_t time_ms, double t90_guess_s) const;
    [[nodiscard]] Samples const& samples() const { return samples_; }
    [[nodiscard]] std::int64_t aeration_since_ms() const { return aeration_since_ms_; }
    [[nodiscard]] Aerated aerated() const { return aerated_; }

private:
    struct Fall {
        bool active = false;
        bool declared = false;  // by a bit: then its begin is known
        bool by_hand = false;   // put back into the water by somebody who has worked on it
        TestSource source = TestSource::cleaning;
        std::int64_t begin_ms = 0;  // the step began: last reading before it
        std::int64_t first_ms = 0;  // first reading in it; only where declared, or found
        std::int64_t end_ms = 0;    // the step ended: middle between the readings on both sides
        std::int64_t deadline_ms = 0;
        double saturation = 9.1;
        double base = 0.0;
    };
    // A step of the aeration, and the way of the water after it.
    struct Edge {
        bool active = false;
        TestSource source = TestSource::aeration_off;
        std::int64_t at_ms = 0;
        std::int64_t deadline_ms = 0;
        double level = 0.0;       // before the edge
        double saturation = 9.1;  // of this water then
    };
    // Water without oxygen, as far as the readings show, and the rise out of it that no bit declares.
    struct Floor {
        std::int64_t since_ms = 0;  // 0: none
        double level = 0.0;
        std::int64_t left_ms = 0;  // last reading on it; 0 unless a rise is being watched
        std::int64_t deadline_ms = 0;
        double saturation = 9.1;
    };
    // A cleaner's, as the blasts tell it that no bit declares.
    struct Timer {
        std::int64_t last_ms = 0;  // newest blast found; 0: none since a gap
        std::int64_t due_ms = 0;   // the next one; 0: not known
        double every_s = 0.0;
        std::uint32_t alike = 0;  // intervals that agree with it
    };
    struct Excursion {
        bool active = false;
        std::int64_t begin_ms = 0;
        std::int64_t peak_ms = 0;
        double base = 0.0;
        double peak = 0.0;
        double longest_s = 0.0;  // till it must be back
    };

    void follow_exposure(View const& view, double t90_guess_s);
    void follow_aeration(View const& view, double t90_guess_s);
    void follow_excursion(View const& view, Known const& known);
    void follow_floor(View const& view, Known const& known);
    [[nodiscard]] double blast_length_s() const;
    void found_blast(View const& view, Known const& known);
    [[nodiscard]] std::optional<BlastSeen> overdue_blast(View const& view, Known const& known);
    std::optional<Candidate> finish_found(View const& view);
    [[nodiscard]] bool may_leap(View const& view, double least) const;
    [[nodiscard]] bool leaps_up(View const& view, Known const& known, double before) const;
    void end_excursion(View const& view, Known const& known);
    [[nodiscard]] bool reached_in_part(ResponseFit const& fit, Known const& known) const;
    bool falls_as_water(ResponseFit const& fit, Known const& known);
    [[nodiscard]] std::optional<Pulse> found_pulse(std::span<FitPoint const> points,
                                                   Known const& known) const;
    [[nodiscard]] std::optional<Pulse> told_pulse(std::span<FitPoint const> points) const;
    void fit_whole(std::span<FitPoint const> points, Known const& known, ResponseFit& fit) const;
    std::optional<Candidate> finish_fall(View const& view, Known const& known);
    std::optional<Candidate> finish_edge(Edge& edge, View const& view, Known const& known);
    [[nodiscard]] bool edge_is_over(Edge const& edge, View const& view) const;
    // Of the readings from so long before a time until it; NaN and infinity where there are none.
    [[nodiscard]] double median_before(std::int64_t time_ms, double span_s) const;
    [[nodiscard]] double least_before(std::int64_t time_ms, double span_s) const;
    template <typename Act>
    void for_before(std::int64_t time_ms, double span_s, Act act) const;
    [[nodiscard]] BlastSeen judge_blast(Known const& known);
    struct Blast {
        double base, extreme, saturation, length_s;
    };
    [[nodiscard]] BlastSeen judge(Blast const& blast, Known const& known);
    // How long this cleaner's blasts are.
    struct Lengths {
        double mean_s = 0.0;
        double weight = 0.0;
        std::uint32_t count = 0;   // blasts that taught it
        std::uint32_t unlike = 0;  // newest blasts, in a row, that were of another length
        // NaN: not alike. `most`: so many teach it.
        double usual(double length_s, double its_weight, std::uint32_t most);
    };
    struct LengthKnown {
        double s, error;  // NaN: not known
        bool told;        // by a bit
    };
    void count_length();
    [[nodiscard]] LengthKnown length_by_bit(ResponseFit const& fit) const;
    [[nodiscard]] LengthKnown length_by_area(ResponseFit const& fit, Known const& known);
    bool rises_seen();
    struct AirLevel {
        double percent, error;  // NaN where the exposure does not tell it
        bool absolute = true;
    };
    [[nodiscard]] double length_drift(Known const& known) const;
    [[nodiscard]] AirLevel air_level(ResponseFit const& fit, Known const& known);

    Samples samples_;
    Fall fall_;
    Edge decline_, rise_;
    AirFall air_fall_;
    Excursion excursion_;
    Floor floor_;
    Timer timer_;
    std::int64_t last_ms_ = 0;
    std::int64_t exposed_from_ms_ = 0;   // last reading before the running exposure
    std::int64_t exposed_first_ms_ = 0;  // first reading in it
    std::int64_t exposed_until_ms_ = 0;
    std::int64_t aeration_since_ms_ = 0;
    std::int64_t aeration_edge_ms_ = 0;
    std::int64_t turned_ms_ = 0;  // when a bit or an airflow last told an edge
    std::int64_t rise_ms_ = 0;    // of the newest rise that was looked at
    Aerated aerated_ = Aerated::unknown;
    double usual_reach_ = 0.7;        // of the way to air that a blast's length and T90 allow
    std::uint32_t reaches_ = 0;       // blasts that taught it
    std::uint32_t lifts_ = 0;         // exposures found in the readings that reached air
    Lengths told_;                    // as a bit tells it
    double told_s_ = 0.0;             // the same for the newest blast; NaN: it was of another length
    Lengths taught_;                  // as blasts themselves do, by their area
    double length_t90_s_ = 0.0;       // how slow the probe was then
    double slow_tau_s_ = 0.0;         // of the newest fall that was slower than the probe should be
    std::uint32_t slow_alike_ = 0;    // such falls in a row, all as long
    std::uint32_t found_blasts_ = 0;  // that no bit declared, of the newest
    std::uint32_t found_rises_ = 0;   // of these, with readings on the way up
    bool told_well_ = false;          // the bit is read often enough to tell how long blasts are
    bool fell_short_ = false;         // the newest blast that should have shown did less than usual
    bool exposed_ = false;
    bool exposed_by_cleaning_ = false;
    bool blast_to_judge_ = false;
    std::optional<BlastSeen> found_;  // a blast that no bit declared, just now
};

}  // namespace probekeeper::diagnosis
