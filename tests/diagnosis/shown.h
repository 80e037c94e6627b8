// What a probe shows of a step of the oxygen at its membrane, by either kind of response. For the tests of
// fits.
#pragma once

#include <functional>

#include "electrode/first_order.h"
#include "electrode/membrane.h"

namespace probekeeper::diagnosis::test {

// Part of a step that is shown `t` seconds after it.
using Shown = std::function<double(double t)>;

inline Shown first_order(double t90_s) {
    return [tau = t90_s / electrode::first_order_t90_over_tau](double t) {
        return electrode::first_order_response(t, tau);
    };
}

inline Shown membrane(double t90_s) {
    return [t90_s](double t) {
        return t <= 0.0 ? 0.0 : electrode::membrane_response(t * electrode::membrane_x90 / t90_s);
    };
}

}  // namespace probekeeper::diagnosis::test
