// When the air really stopped, where its flow is measured: blowers and valves take their time, and that is
// not the probe's.
#pragma once

#include <cstdint>
#include <optional>

namespace probekeeper::diagnosis {

class AirFall {
public:
    // `flow` in any unit, not negative; NaN where not read.
    void take(std::int64_t time_ms, double flow);

    // Of the newest fall to nothing that began within a minute of `near_ms`: the moment at which a sudden
    // stop would have taken as much air away, so that what the air does meanwhile is no delay any more.
    [[nodiscard]] std::optional<std::int64_t> stopped_ms(std::int64_t near_ms) const;

private:
    std::int64_t last_ms_ = 0;
    double last_flow_ = 0.0;
    std::int64_t from_ms_ = 0;  // the last reading of the full flow; 0: it has not fallen
    double before_ = 0.0;       // that flow
    double given_ = 0.0;        // since then, flow times seconds
    bool over_ = false;         // nothing is left
};

}  // namespace probekeeper::diagnosis
