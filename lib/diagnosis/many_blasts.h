// Blasts that are read so seldom that each leaves a reading or three on its tail: no fit of one alone tells
// anything. They end anywhere between two polls, so that many together show the whole tail, and what each
// says of T90 is added up.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "diagnosis/air_step.h"

namespace probekeeper::diagnosis {

class ManyBlasts {
public:
    // A blast that is over, and nothing but its polls against it: in `points` t = 0 is its end.
    struct Blast {
        std::span<FitPoint const> points;
        AirStep const& step;
        double length_s;       // of its timer's blasts, as far as known
        double temperature_c;  // NaN where not read
    };
    void take(Blast const& blast, ProbeKnown const& known);

    // What all of them tell together, once that is enough, or too little after some days: then it begins
    // anew. `membrane_probability`: how likely the response is a membrane's, as far as anything told before.
    struct Told {
        ResponseFit fit;
        std::int64_t at_ms = 0;      // in the middle of them
        double temperature_c = 0.0;  // NaN where not read
    };
    [[nodiscard]] std::optional<Told> told(double membrane_probability);

    // The response may be another one from now on.
    void begin_anew() { *this = {}; }

private:
    static constexpr std::size_t kinds = 2, most_t90s = 16;
    struct Peak {
        double ln_t90 = 0.0, error = 0.0;
        bool inside = false;
    };
    using Said = std::array<std::array<double, most_t90s>, kinds>;

    [[nodiscard]] Peak peak(bool membrane) const;
    void add(Said const& said);

    // ln of the likelihood over ln T90 at 20 degC, of a first-order response and of a membrane's, each in
    // hundredths below its highest; and the odds for the membrane.
    std::array<std::array<std::int16_t, most_t90s>, kinds> ln_likelihood_{};
    std::int64_t first_ms_ = 0, last_ms_ = 0;
    float membrane_evidence_ = 0.0F;
    float least_ln_t90_ = 0.0F;    // of the first column
    float temperatures_c_ = 0.0F;  // sum; NaN where one was not read
    std::uint32_t count_ = 0;
};

}  // namespace probekeeper::diagnosis
