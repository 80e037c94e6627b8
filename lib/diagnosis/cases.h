// How each reason stands in numbers, out of what a probe has shown. weigh.cpp turns these into reasons that
// stand, explain.cpp into sentences.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "diagnosis/probe.h"

namespace probekeeper::diagnosis {

// `probability` that the limit is passed; negative: no evidence either way.
struct Case {
    double probability = -1.0;
    std::optional<double> value, low, high, limit;
    std::string_view unit;
    bool by_found = false;       // of a slow response: found rises tell it (found.h)
    bool by_neighbours = false;  // of one that has not settled: they read otherwise (apart.h)
    bool by_drift = false;       // of an error of span: that it will be past its limit soon
};

// Today's T90 by the probe's own tests and by its neighbours' (neighbour.h).
[[nodiscard]] std::optional<LevelKnown> response_known(ProbeState const& state, std::int64_t now_ms);
// When the newest of either was that tells it; 0: none.
[[nodiscard]] std::int64_t newest_test_ms(ProbeState const& state);

// By found rises alone.
[[nodiscard]] Case found_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);
// By tests, or by found rises where these are newer and speak more strongly for it.
[[nodiscard]] Case slow_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);
// The probability that it is past its limit within so many days, by its tests. Negative: no evidence.
[[nodiscard]] double slow_within(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms,
                                 double days);
// Rather past its limit than within it.
[[nodiscard]] bool likely_slow(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);
[[nodiscard]] Case background_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);
[[nodiscard]] Case fluctuation_case(ProbeState const& state, ProbeSetup const& setup);
[[nodiscard]] Case span_case(ProbeState const& state, ProbeSetup const& setup);
// After a change of the membrane: away by twice what would be an error of span, from 100 % in air or from its
// neighbours, whichever tells more.
[[nodiscard]] Case settled_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);
[[nodiscard]] Case reference_case(ProbeState const& state, ProbeSetup const& setup);

// After a change of the membrane: its exposures to air read as of one that was set to 100 %, surely.
[[nodiscard]] bool reads_as_calibrated(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms);

// The background as best known: the anoxic floor, or a dry zero check where that is newer or the only one.
struct BackgroundKnown {
    double level = 0.0, error = 0.0, limit = 0.0;  // mg/L
    BackgroundSource source = BackgroundSource::anoxic_floor;
    std::int64_t at_ms = 0;
    bool sudden = false;
};
[[nodiscard]] std::optional<BackgroundKnown> background_known(ProbeState const& state,
                                                              ProbeSetup const& setup, std::int64_t now_ms);
// What unmeasured weather adds to the uncertainty of a reading in air, percent.
[[nodiscard]] double pressure_error(ProbeState const& state, ProbeSetup const& setup);
// The newest thing that lets us call a probe good: a usable response test, or a person's check. 0: none.
[[nodiscard]] std::int64_t newest_evidence_ms(ProbeState const& state);

}  // namespace probekeeper::diagnosis
