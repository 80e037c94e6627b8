// Steps of the aeration that a bit or a measured airflow declares, and the way of the water after each: down
// once the air is off, up once it is on.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/air_fall.h"
#include "diagnosis/candidate.h"
#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class AirEdges {
public:
    // Readings in order of time. `last_ms`: of the one before; `exposed_until_ms`: of the newest exposure.
    void take(View const& view, double t90_guess_s, std::int64_t last_ms, std::int64_t exposed_until_ms);
    // A way of the water that is over by now, as a test; once each.
    [[nodiscard]] std::optional<Candidate> finish(View const& view, ProbeKnown const& known,
                                                  Samples const& samples);

    // What is being watched comes to nothing.
    void drop() { decline_.active = rise_.active = false; }
    // After a gap in the readings nobody knows whether the air is on.
    void interrupt() {
        drop();
        aerated_ = Aerated::unknown;
    }

    [[nodiscard]] Aerated aerated() const { return aerated_; }
    [[nodiscard]] std::int64_t since_ms() const { return since_ms_; }
    // The newest edge; 0: none.
    [[nodiscard]] std::int64_t edge_ms() const { return edge_ms_; }

private:
    struct Edge {
        bool active = false;
        TestSource source = TestSource::aeration_off;
        std::int64_t at_ms = 0;
        std::int64_t deadline_ms = 0;
        double level = 0.0;       // before the edge
        double saturation = 9.1;  // of this water then
    };
    [[nodiscard]] bool is_over(Edge const& edge, View const& view) const;
    [[nodiscard]] bool turned(Edge const& edge) const;
    [[nodiscard]] std::optional<Candidate> finish(Edge& edge, View const& view, ProbeKnown const& known,
                                                  Samples const& samples) const;

    Edge decline_, rise_;
    AirFall air_fall_;
    std::int64_t since_ms_ = 0;
    std::int64_t edge_ms_ = 0;
    std::int64_t rise_ms_ = 0;  // of the newest rise that was looked at
    Aerated aerated_ = Aerated::unknown;
};

}  // namespace probekeeper::diagnosis
