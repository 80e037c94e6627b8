// Sees a person at work in the readings: the probe in hand, a dry zero, a new membrane's overshoot and its
// settling, the calibration in air, the way back into the water. What it cannot see it is told by records.
//
// That a new membrane overshoots to 200 or 250 % in air, settles in about ten minutes, often near 115 %, and
// is then set to 100 %, is common practice, no source. The numbers in here follow it, and are guesses.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/handling.h"
#include "diagnosis/verdict.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class ServiceWatch {
public:
    struct Known {
        double t90_s = 60.0;  // today's best idea of the probe's T90 in this water
        double noise = 0.01;  // standard deviation of a reading, mg/L
    };
    // What a reading completed.
    struct Seen {
        std::optional<std::int64_t> membrane_ms;  // a new membrane, of which no record of the visit told
        std::optional<double> dry_zero_mg_l;
        // Back in the water with another membrane that was at rest in air, since then.
        std::optional<std::int64_t> back_ms;
    };

    // `hold`: the bit says that the probe is in hand. Readings in order of time.
    Seen take(View const& view, bool hold, Known const& known);
    void handled(Handling const& handling);

    // The probe is in hand, or its new membrane settles: readings test nothing.
    [[nodiscard]] bool busy() const { return phase_ != Phase::in_service; }
    // awaiting_calibration: a new membrane is at rest and nobody has calibrated it in air, as far as records
    // and readings tell; for at most seven days, then nobody will.
    [[nodiscard]] ServiceState state(std::int64_t now_ms) const;
    // Since when it is in hand, settling, or neither, as the readings have it: a lift is believed some
    // minutes after it began. 0: since a record, and no reading has come after it.
    [[nodiscard]] std::int64_t since_ms() const { return begin_ms_; }
    // The new membrane has been given hours and has not come to rest.
    [[nodiscard]] bool restless() const { return restless_; }
    // A new membrane was at rest in air when it went back into the water: what it shows then is its response,
    // though it is still watched for its settling.
    [[nodiscard]] bool went_back_at_rest() const { return back_at_rest_; }
    // Where the reading last came to rest in air within this handling or the last one, in percent.
    [[nodiscard]] std::optional<double> rest_in_air() const;

private:
    enum class Phase : std::uint8_t { in_service, in_hand, settling };
    // The rise of the reading over a span, as parts of saturation, from the means of its halves; and its
    // typical step from one reading to the next.
    struct Rise {
        double over = 0.0, mean = 0.0, error = 0.0, step = 0.0;
    };
    class Windows {
    public:
        std::optional<Rise> take(std::int64_t time_ms, double ratio, double span_s, double noise);
        void restart() { *this = Windows{}; }

    private:
        std::int64_t begin_ms_ = 0, last_ms_ = 0;  // 0: none under way
        double first_ = 0.0, second_ = 0.0;
        double newest_ = 0.0, steps_ = 0.0;
        std::uint32_t firsts_ = 0, seconds_ = 0;
    };

    [[nodiscard]] bool at_rest(Rise const& rise) const;
    void watch_water(View const& view, double ratio, bool hold, double t90_s,
                     std::optional<Rise> const& rise);
    Seen watch_hand(View const& view, double ratio, bool hold, std::optional<Rise> const& rise);
    void watch_settling(View const& view, double ratio, bool hold, std::optional<Rise> const& rise);
    std::optional<double> follow_zero(View const& view, double ratio);
    void note_rest(Rise const& rise);
    void take_in_hand(std::int64_t time_ms, bool by_hold);
    Seen put_back(std::int64_t time_ms, double ratio);
    void settle(std::int64_t time_ms);
    [[nodiscard]] bool changed_within_visit(std::int64_t time_ms) const;
    [[nodiscard]] bool rises_by_itself(std::int64_t time_ms) const;
    void note_restless(std::int64_t time_ms);

    Windows windows_;
    std::int64_t begin_ms_ = 0;       // of the phase, by the readings
    std::int64_t candidate_ms_ = 0;   // a jump to air that is not yet believed
    std::int64_t left_air_ms_ = 0;    // it may be back in the water since; 0: it is not
    std::int64_t overshoot_ms_ = 0;   // of this handling
    std::int64_t zero_ms_ = 0;        // about zero since, after air, in this handling
    std::int64_t membrane_ms_ = 0;    // of the newest change, by record or seen
    std::int64_t calibrated_ms_ = 0;  // likewise
    std::int64_t last_ms_ = 0;
    std::int64_t blasted_ms_ = 0;   // by the cleaner, last
    std::int64_t rest_ms_ = 0;      // in air, last in this handling
    std::int64_t restless_ms_ = 0;  // when it last was as if lifted, and never came to rest
    double base_ = -1.0;            // the water before a jump, part of saturation; negative: not known
    double usual_ = 0.01;           // movement of the water over a window, part of saturation
    double zero_sum_ = 0.0, highest_ = 0.0;
    double rest_percent_ = 0.0;  // 0: none
    std::uint32_t zeros_ = 0, usuals_ = 0, above_ = 0;
    std::uint32_t restless_lifts_ = 0;                           // within a day of each other
    std::uint32_t rests_ = 0, all_rests_ = 0, all_windows_ = 0;  // in a row; of this settling
    Phase phase_ = Phase::in_service;
    bool by_hold_ = false, hold_ignored_ = false, air_seen_ = false, restless_ = false, swapped_ = false,
         back_at_rest_ = false;
};

}  // namespace probekeeper::diagnosis
