// Fits one piece of readings to what a probe with a lag must show. The fits know nothing of bits or states;
// piece.h cuts the pieces out of the readings.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <string_view>

namespace probekeeper::diagnosis {

// Why a fit is set aside that has nothing else against it.
inline constexpr std::string_view too_uncertain = "too uncertain";

struct FitPoint {
    double t_s = 0.0;  // seconds from the event
    double value = 0.0;
};

struct ResponseFit {
    double tau_s = 0.0;     // time constant of the exponential tail
    double ln_error = 0.0;  // standard error of its logarithm
    // Of a decline: how late the reading is behind the water's ramp, counted from the event: the probe's mean
    // lag and the aerator's delay together, which the bend determines far better than either. And its
    // standard error.
    double late_s = 0.0, late_error_s = 0.0;
    // How long after the event the tail, run backwards, begins: transport through the membrane, and the time
    // that water and air take to displace each other at it. Of a decline: the aerator's own delay. NaN where
    // the readings do not show it, as of a transmitter that freezes meanwhile.
    double onset_s = 0.0;
    // Of a blast: ln T90 by its whole course; see pulse.h. NaN where it was not fitted.
    double ln_t90_first_order = std::numeric_limits<double>::quiet_NaN();
    double ln_t90_membrane = std::numeric_limits<double>::quiet_NaN();
    // Of a blast and a decline: ln of the odds for a membrane's response against one of first order; 0 where
    // not both were tried.
    double membrane_evidence = 0.0;
    std::uint32_t blasts = 1;  // that it tells of, where many are fitted together
    bool ends_found = false;   // of a blast that was fitted as a whole: no bit told its begin and end
    // Of a rise: kLa as the balance of this water shows it, and the standard error of its logarithm.
    double kla_per_h = 0.0, kla_ln_error = 0.0;
    double step = 0.0;  // height of the step, in the readings' unit
    double held = 0.0;  // typical height over its last time constant; NaN where nothing was read
    // Of a fall: what the readings show above their baseline from the begin of the step until they are back,
    // in the readings' unit times seconds, and its standard error. Whatever lags in a probe, and flushes at
    // it, moves this area but leaves its size: it is the step's height times its length.
    double area = 0.0, area_error = 0.0;
    double below_step = 0.0;             // of a fall: its baseline in the middle of the step, for water moves
    double residual = 0.0;               // standard deviation of what the model leaves
    bool quicker_than_readings = false;  // a step was seen, but it was over before two readings told its tail
    bool onset_found = false;            // of an edge of the air: its moment was found in the readings
    std::string_view set_aside;          // why the fit is not to be believed; empty if it is
};

// The fall after a step that ended at t = 0: baseline + slope + exponential tail. Points before `before_s`
// (a negative time, when the step began) belong to the baseline; points between are the step itself. `noise`:
// standard deviation of a reading; a fit that leaves less owes it to having few points, and is not believed
// more.
//
// The tail is nearly the probe's alone: the flush of the water shifts it, and of a quick probe it lengthens
// it; pulse.h takes it out where the step's ends are known. For a first-order lag T90 is ln(10) tau. Membrane
// diffusion (Crank, The Mathematics of Diffusion) tends to an exponential too, whose T90 is ln(20) tau and
// which begins ln 2 time constants late.
[[nodiscard]] ResponseFit fit_fall(std::span<FitPoint const> points, double before_s, double noise);

// What the probe reads where there is no oxygen, and its standard error: a guess where nothing is known.
struct ZeroReading {
    double value = 0.0, error = 0.1;
};

// As a part of the level before, how far down a decline is looked at: the rest tells little but the
// background.
inline constexpr double decline_down_to = 0.25;

// The bend after the aeration stopped at t = 0: the water begins to fall at `delay` and the probe follows
// with its lag. The water uses its oxygen by Monod's law, evenly at first and ever less as it runs short:
// behind a slow probe it does so long before the reading shows it. `delay_s` and `delay_error_s`: what is
// known of the aerator's own delay, which does not age. `saturation`: C*, in the readings' unit, as `zero`.
// `membrane_probability`: how likely the response is a membrane's and not of first order. Unless that is
// plain, both are fitted, the answer lies between them, and `membrane_evidence` says what this decline has to
// say of it. In the answer `onset_s` is the delay found by this fit, and `tau_s` the mean lag.
[[nodiscard]] ResponseFit fit_decline(std::span<FitPoint const> points, double delay_s, double delay_error_s,
                                      double noise, double saturation, double membrane_probability = 0.0,
                                      ZeroReading const& zero = {});

// The same where nothing tells when the air stopped: t = 0 is where it may have, give or take most of a
// minute, so that `late_s` tells nothing and only the bend tells `tau_s`, the mean lag.
[[nodiscard]] ResponseFit fit_found_fall(std::span<FitPoint const> points, double noise, double saturation,
                                         ZeroReading const& zero = {});

// The way of the reading after the aeration began at t = 0, or the air was given or taken in a step. The
// water follows dC/dt = kLa (C* - C) - OUR from `delay` on, and the probe lags it: two exponentials whose
// quicker one is the probe's. `saturation`: C*, in the readings' unit. The rest as for fit_decline(); here
// `late_s` has in it what is expected of water that uses less oxygen while it has hardly any, with all of
// that as its error. Where kLa is as quick as the probe the two change places unseen: a doubt of a factor
// that no error tells.
[[nodiscard]] ResponseFit fit_rise(std::span<FitPoint const> points, double delay_s, double delay_error_s,
                                   double noise, double saturation);

// The rise out of water that held no oxygen, where nothing tells when the air came on: t = 0 is where it was
// found to begin, and the moment itself is part of the fit. `late_s` is the time constant of the lag and has
// in it how slowly the aerator gathers speed, but not its dead time, which no reading shows.
[[nodiscard]] ResponseFit fit_found_rise(std::span<FitPoint const> points, double saturation);

}  // namespace probekeeper::diagnosis
