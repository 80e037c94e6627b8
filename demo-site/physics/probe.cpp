#include "physics/probe.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace probekeeper::physics {
namespace {

constexpr double gas_constant = 8.314462618;  // J/(mol K)
constexpr double kelvin_at_20 = 293.15;
// D t90 / b^2 of a diffusion step (Crank), and t90 / tau of a first-order lag, ln 10.
constexpr double membrane_t90 = 0.30351847;
constexpr double first_order_t90 = std::numbers::ln10;
// A new membrane's excess dies away with this time constant: settled after about ten minutes at 20 degC.
constexpr double excess_settles_s = 150.0;

// By how much everything in a membrane is slower than at 20 degC.
double slowness(double activation_kj_mol, double temperature_c) {
    return std::exp(activation_kj_mol * 1000.0 / gas_constant *
                    (1.0 / (temperature_c + 273.15) - 1.0 / kelvin_at_20));
}

}  // namespace

void Probe::Lag::set(double dt_s, double tau_s) {
    double const h = dt_s / tau_s;
    keep = std::exp(-h);
    double const mean_keep = -std::expm1(-h) / h;
    before = mean_keep - keep;
    now = 1.0 - mean_keep;
}

double Probe::Lag::step(double next_input) {
    output = keep * output + before * input + now * next_input;
    input = next_input;
    return output;
}

Probe::Probe(ProbeSettings const& settings, Random random)
    : settings_{settings}, random_{random}, own_movement_{1.0, 8.0}, slow_wrinkle_{1.0, 40.0} {}

void Probe::set_lags(double dt_s, double temperature_c) {
    // A tenth of a degree changes T90 by 0.4 %: not worth ten exponentials.
    if (dt_s == set_dt_s_ && std::abs(temperature_c - set_temperature_c_) < 0.1 &&
        wear_.coating == set_coating_ && wear_.film_t90_s == set_film_s_) {
        return;
    }
    set_dt_s_ = dt_s;
    set_temperature_c_ = temperature_c;
    set_coating_ = wear_.coating;
    set_film_s_ = wear_.film_t90_s;

    double const slow = slowness(settings_.activation_kj_mol, temperature_c);
    double const t90 = fresh_t90_20_s() * wear_.coating * slow;
    chain_[0].set(dt_s, std::max(0.01, wear_.film_t90_s * slow / first_order_t90));
    if (settings_.response == Response::first_order) {
        chain_[1].set(dt_s, t90 / first_order_t90);
        used_ = 2;
    } else {
        double const b2_over_d = t90 / membrane_t90;
        double rest = b2_over_d / 6.0;  // the sum of all time constants
        for (std::size_t n = 1; n < lags; ++n) {
            double const order = static_cast<double>(n) * std::numbers::pi;
            double const tau = b2_over_d / (order * order);
            chain_[n].set(dt_s, tau);
            rest -= tau;
        }
        chain_[lags].set(dt_s, rest);
        used_ = lags + 1;
    }
    flush_keep_ = std::exp(-dt_s / settings_.flush_s);
    excess_keep_ = std::exp(-dt_s / (excess_settles_s * slow));
}

double Probe::through_lags(double input) {
    for (std::size_t i = 0; i < used_; ++i) {
        input = chain_[i].step(input);
    }
    return input;
}

void Probe::step(double dt_s, WaterState const& water, Place place) {
    set_lags(dt_s, water.temperature_c);
    double const uncovered = place == Place::air ? wear_.cleaning_reach : 0.0;
    air_part_ = uncovered + (air_part_ - uncovered) * flush_keep_;
    double const moved = water.do_mg_l + water.movement_mg_l * own_movement_.step(dt_s, random_);
    double const wet = place == Place::zero ? 0.0 : std::max(0.0, moved);
    double const outside = air_part_ * water.saturation_mg_l + (1.0 - air_part_) * wet;
    if (!started_) {
        started_ = true;
        for (auto& lag : chain_) {
            lag.settle(outside);
        }
    }
    excess_ *= excess_keep_;
    reading_mg_l_ = worn(through_lags(outside), dt_s);
}

double Probe::worn(double settled_mg_l, double dt_s) {
    double const noise = settings_.own_noise_mg_l * random_.normal();
    if (wear_.dry) {
        return noise;
    }
    double reading = settled_mg_l * wear_.span * (1.0 + excess_);
    if (wear_.wrinkle > 0.0) {
        double const flutter = 0.8 * slow_wrinkle_.step(dt_s, random_) + 0.6 * random_.normal();
        reading *= 1.0 + wear_.wrinkle * flutter;
    }
    return reading + wear_.background_mg_l + noise;
}

void Probe::change_membrane(double fresh_factor, double overshoot) {
    wear_ = {};
    fresh_factor_ = fresh_factor;
    excess_ = overshoot - 1.0;
    set_dt_s_ = -1.0;
}

double Probe::t90_20_s(double damping_s) const {
    Probe copy = *this;
    double const dt = (fresh_t90_20_s() * wear_.coating + wear_.film_t90_s + damping_s) / 2000.0;
    copy.set_dt_s_ = -1.0;
    copy.set_lags(dt, 20.0);
    for (auto& lag : copy.chain_) {
        lag.settle(0.0);
    }
    copy.chain_[0].input = 1.0;  // a step at time zero, not a ramp over the first step
    Lag damping;
    damping.set(dt, std::max(1e-3, damping_s));
    double t = 0.0;
    double before = 0.0;
    for (double now = 0.0;; before = now, t += dt) {
        now = damping.step(copy.through_lags(1.0));
        if (now >= 0.9) {
            return t + dt * (0.9 - before) / (now - before);
        }
    }
}

}  // namespace probekeeper::physics
