// The response of an electrode with a film of electrolyte between cathode and membrane. A thick film, from a
// slack or badly seated membrane, makes a probe read low and slow.
//
// Derived from the Laplace transform of the two diffusion equations, with partial pressure and flux
// continuous where the layers meet; partial pressure is zero at the cathode and steps outside the membrane.
// Hitchman (1978) treats two layers in print (from memory). Any consistent units; time comes out in
// thickness^2 / diffusivity.
#pragma once

#include <array>
#include <cstddef>

namespace probekeeper::electrode {

struct Layer {
    double thickness, diffusivity, solubility;
    [[nodiscard]] double resistance() const { return thickness / (diffusivity * solubility); }
};

class FilmResponse {
public:
    // All of `membrane` and the film's diffusivity and solubility > 0, the film's thickness >= 0.
    FilmResponse(Layer const& film, Layer const& membrane);

    // Part of the final reading that is shown `t` after the step, to about 1e-12; 0 for t <= 0.
    [[nodiscard]] double at(double t) const;
    // When `level` is shown; 0 at level 0 and below, infinity at 1 and above.
    [[nodiscard]] double time(double level) const;
    // Area above the curve: how late the reading is behind a slow ramp.
    [[nodiscard]] double mean_time() const { return mean_time_; }
    // The final reading over what it would be without a film.
    [[nodiscard]] double steady() const { return steady_; }
    // Of the tail, in reciprocal time: the reading ends as 1 - a exp(-rate t).
    [[nodiscard]] double tail_rate() const { return rate_[0]; }

private:
    // Enough for the earliest time at which there is anything to see: term 40 is gone before the curve
    // begins.
    static constexpr std::size_t terms = 40;
    std::array<double, terms> rate_{}, coefficient_{};
    double mean_time_, steady_;
};

}  // namespace probekeeper::electrode
