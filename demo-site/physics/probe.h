// A membrane-covered galvanic probe in some water: what its current, scaled to mg/L, shows after the
// membrane's lag, with what wear does to it. What the transmitter makes of that is transmitter.h.
#pragma once

#include <array>
#include <cstddef>

#include "physics/random.h"
#include "physics/water.h"

namespace probekeeper::physics {

enum class Response { first_order, membrane };

struct ProbeSettings {
    Response response = Response::membrane;
    double t90_fresh_20_s = 40.0;     // of a fresh probe at 20 degC, to a step at the membrane
    double activation_kj_mol = 25.0;  // of the membrane: slower in the cold
    double flush_s = 4.0;  // time constant by which air and water displace each other at the membrane
    double own_noise_mg_l = 0.002;  // white, of the cell and its cable, rms
};

// The condition of a probe. A neutral one is as fresh from the bench.
struct Wear {
    double coating = 1.0;          // of the anode: response time over its fresh value; settles as before
    double film_t90_s = 0.0;       // slime, grease, rag outside the membrane, at 20 degC; a wipe takes it off
    double background_mg_l = 0.0;  // read where there is no oxygen; may be slightly negative
    double span = 1.0;             // the reading in air where 1 would be right
    double wrinkle = 0.0;          // movement added by a loose membrane, rms relative to the reading
    double cleaning_reach = 1.0;   // how much of the membrane a blast still uncovers, 0..1
    bool dry = false;              // electrolyte lost or cable open: zero, and a little noise
    bool stuck = false;            // holds what it showed when it stuck
};

// Where the membrane is. A cleaning blast is `air` for its length; `zero` is a solution without oxygen, or
// the dry zero of a cell taken off its membrane.
enum class Place { water, air, zero };

class Probe {
public:
    Probe(ProbeSettings const& settings, Random random);

    // Advances by dt_s with the membrane in `place`. The lag is exact for an input that is linear over the
    // step, so steps may be long against the lag, as long as the water is resolved.
    void step(double dt_s, WaterState const& water, Place place = Place::water);

    // What the cell shows, mg/L: lagged, worn and noisy, but neither damped, clipped nor rounded.
    [[nodiscard]] double reading_mg_l() const { return reading_mg_l_; }

    [[nodiscard]] Wear& wear() { return wear_; }
    [[nodiscard]] Wear const& wear() const { return wear_; }
    [[nodiscard]] ProbeSettings const& settings() const { return settings_; }

    // A new membrane: wear gone, T90 fresh times `fresh_factor` (0.9..1.1), and for about ten minutes the
    // cell reads `overshoot` times too much (2.0..2.5) while it settles.
    void change_membrane(double fresh_factor, double overshoot);

    // The truth: T90 at 20 degC to a step at the membrane, film and coating included, found by stepping a
    // copy.
    // `damping_s` adds a transmitter's output filter.
    [[nodiscard]] double t90_20_s(double damping_s = 0.0) const;
    [[nodiscard]] double fresh_t90_20_s() const { return settings_.t90_fresh_20_s * fresh_factor_; }

private:
    // The membrane's transfer function is q/sinh q = prod 1/(1 + s tau_n) with tau_n = b^2/(n^2 pi^2 D), so a
    // cascade of lags is the diffusion series. The lags beyond the last one kept are lumped into it.
    static constexpr std::size_t lags = 10;

    // y' tau = u - y over one step, exact for u linear in between.
    struct Lag {
        double keep = 0.0, before = 0.0, now = 1.0;
        double input = 0.0, output = 0.0;
        void set(double dt_s, double tau_s);
        double step(double next_input);
        void settle(double value) { input = output = value; }
    };

    void set_lags(double dt_s, double temperature_c);
    double through_lags(double input);
    [[nodiscard]] double worn(double settled_mg_l, double dt_s);

    ProbeSettings settings_;
    Wear wear_;
    Random random_;
    std::array<Lag, lags + 1> chain_{};  // the film first, then the membrane
    std::size_t used_ = 0;               // of chain_
    double air_part_ = 0.0;              // of the membrane, 0..1
    double fresh_factor_ = 1.0;
    double excess_ = 0.0;  // of a new membrane, relative
    double reading_mg_l_ = 0.0;
    bool started_ = false;
    // What the lags were last set for.
    double set_dt_s_ = -1.0, set_temperature_c_ = 0.0, set_coating_ = 0.0, set_film_s_ = 0.0;
    double flush_keep_ = 0.0, excess_keep_ = 0.0;  // over one step
    Wander own_movement_, slow_wrinkle_;
};

}  // namespace probekeeper::physics
