// The reading in air where 100 % would be right, from exposures seen in the data, from air calibrations and
// from checks against a portable meter.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/candidate.h"
#include "diagnosis/handling.h"
#include "diagnosis/samples.h"
#include "diagnosis/verdict.h"
#include "diagnosis/way_level.h"
#include "estimate/joint_filter.h"

namespace probekeeper::diagnosis {

struct SpanKnown {
    double percent = 100.0, error = 0.0;
    SpanSource source = SpanSource::air_exposure;
    std::int64_t at_ms = 0;
    std::size_t exposures = 0;  // that agree on it; 0 where a record says it
    // Where it will be in `ahead_days` if it goes on as it does.
    double ahead_percent = 100.0, ahead_error = 0.0;
    bool absolute = true;  // else it has changed by so much since the first exposures
};

// Probe and portable meter side by side, at the newest check.
struct ReferenceKnown {
    double probe = 0.0, reference = 0.0;
    bool in_percent = false;
    std::int64_t at_ms = 0;
};

class SpanWatch {
public:
    // A drift that has probably passed the limit, and surely will have in this time, is worth a visit now.
    static constexpr double ahead_days = 10.0;

    void exposure(std::int64_t time_ms, AirLevel const& air);
    void handled(Handling const& handling);

    // Blasts are short and wet: what they read in air is off by an amount that stays, but moves with the
    // probe. The first ones after a calibration or a new membrane, when the probe was about right, tell how
    // much of it is the blast's (normal prior for both, so that neither is believed whole); the later ones
    // are followed by a filter of level and slope. `pressure_error`: what unmeasured weather adds, in
    // percent; 0 where pressure is measured.
    [[nodiscard]] std::optional<SpanKnown> known(double pressure_error) const;
    [[nodiscard]] std::optional<ReferenceKnown> reference() const;
    // The level in air, as it stands and compared with nothing, in the first days of a new membrane; empty
    // later.
    [[nodiscard]] std::optional<SpanKnown> after_service(std::int64_t now_ms, double pressure_error) const;

private:
    using LevelAndDrift = estimate::JointFilter<3>;  // percent; percent a day, now and at the first one
    struct Exposure {
        std::int64_t time_ms = 0;
        float percent = 0.0F, error = 0.0F, way = 0.0F;
    };
    // Of the exposures in the ring.
    struct Scatter {
        double median = 0.0, mean_error = 0.0, sigma = 1.0;
        std::size_t count = 0;
    };
    // As they would be if blasts read too much by this part of their way.
    [[nodiscard]] Scatter scatter(double part = 0.0) const;
    struct Common {
        double percent = 0.0, error = 0.0;
        double density = 0.0;  // of the first level under this prior, but for a constant factor
    };
    // What the probe was off when it was first seen.
    struct Before {
        double percent = 0.0, variance = 0.0;
    };
    [[nodiscard]] Before before() const;
    [[nodiscard]] static Common share_of(double off, double of_blasts, Before const& of_probe);
    // What all exposures have in common that is not the probe's, as the first ones tell it.
    [[nodiscard]] Common common(std::optional<WayLevel::Known> const& ways) const;
    [[nodiscard]] std::optional<WayLevel::Known> by_ways() const;
    void correct_former(double percent);
    void learn_first();
    void follow_step(bool outlier, bool above, double sigma);
    static void pass(LevelAndDrift& drift, double days);
    void begin_anew();

    Ring<Exposure, 24> exposures_;
    LevelAndDrift drift_{};
    WayLevel ways_;
    std::size_t seen_ = 0;        // exposures since the measure was set anew
    std::int64_t first_ms_ = 0;   // of the first of them
    double first_percent_ = 0.0;  // of the first exposures; 0: not known yet
    double first_error_ = 0.0;    // of it, by chance
    double first_way_ = 0.0;      // of these exposures
    double alike_error_ = 0.0;    // what may be wrong with all of them alike, as the newest one tells it
    double usual_sigma_ = 0.0;    // of one exposure
    std::uint32_t beyond_ = 0;    // outliers in a row, the newest exposures
    std::int64_t beyond_since_ms_ = 0;
    bool above_ = false;          // the newest is above what was expected
    bool absolute_ = true;        // the first ones told a level of their own
    bool taught_before_ = false;  // their length was known before this measure began
    ReferenceKnown reference_{};
    std::int64_t calibrated_ms_ = 0;
    std::int64_t membrane_ms_ = 0;
    std::int64_t air_ms_ = 0;  // of a reading in air on record that was not calibrated away
    double air_percent_ = 100.0;
};

}  // namespace probekeeper::diagnosis
