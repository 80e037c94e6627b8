// Nonlinear least squares for a handful of parameters: Levenberg-Marquardt with Marquardt's scaling, on the
// stack, without allocation, so that thousands of response tests an hour cost nothing to speak of.
//
// Damping follows Nielsen (1999), "Damping parameter in Marquardt's method", IMM-REP-1999-05 (from memory).
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <span>
#include <type_traits>

#include "estimate/cholesky.h"

namespace probekeeper::estimate {

namespace detail {
template <std::size_t N>
[[nodiscard]] constexpr Vector<N> filled(double value) {
    Vector<N> v{};
    v.fill(value);
    return v;
}
inline constexpr double not_known = std::numeric_limits<double>::quiet_NaN();
}  // namespace detail

template <std::size_t N>
struct FitOptions {
    int max_iterations = 200;  // evaluations of the model over the whole record
    // Converged when a full Gauss-Newton step would move the fitted curve by less than this part of the
    // residuals: 1e-8 is a hundred-millionth of a standard error or so.
    double tolerance = 1e-8;
    // The parameters stay inside; `start` is moved inside. A bound that holds takes its parameter out of the
    // fit, see FitResult::at_bound.
    Vector<N> lower = detail::filled<N>(-std::numeric_limits<double>::infinity());
    Vector<N> upper = detail::filled<N>(std::numeric_limits<double>::infinity());
    // Of each point, relative: sigma is that of a point of weight 1. Empty: all 1. Else as long as `t`; not
    // negative. Must outlive the call.
    std::span<double const> weights{};
};

template <std::size_t N>
struct FitResult {
    Vector<N> parameters{};
    // sigma^2 (Jt W J)^-1 at the solution. NaN for a parameter at its bound (the others' errors then take it
    // as known), and NaN throughout where the data cannot tell the parameters apart or n <= N.
    Matrix<N> covariance{};
    Vector<N> standard_errors{};
    std::array<bool, N> at_bound{};
    double rss = detail::not_known;    // sum of weighted squared residuals
    double sigma = detail::not_known;  // sqrt(rss / (n - N)); NaN where n <= N
    int iterations = 0;
    bool converged = false;  // false also where the data do not determine the parameters
};

namespace detail {

// Everything the method needs to know of the model at one set of parameters.
template <std::size_t N>
struct Linearised {
    Matrix<N> jtj{};  // lower triangle only
    Vector<N> jtr{};  // Jt W (y - model)
    double rss = 0.0;
    [[nodiscard]] bool finite() const {
        double sum = rss;
        for (std::size_t i = 0; i < N; ++i) {
            sum += jtr[i] + jtj[i][i];
        }
        return std::isfinite(sum);
    }
};

// The model at one set of parameters, which must outlive it.
template <std::size_t N, class Model>
[[nodiscard]] auto curve_of(Model const& model, Vector<N> const& p) {
    if constexpr (std::is_invocable_v<Model const&, Vector<N> const&>) {
        return model(p);
    } else {
        return [&](double t, Vector<N>& gradient) { return model(t, p, gradient); };
    }
}

template <std::size_t N>
inline void add_point(Linearised<N>& at, Vector<N> const& gradient, double residual, double w) {
    at.rss += w * residual * residual;
    for (std::size_t i = 0; i < N; ++i) {
        double const scaled = w * gradient[i];
        at.jtr[i] += scaled * residual;
        for (std::size_t j = 0; j <= i; ++j) {
            at.jtj[i][j] += scaled * gradient[j];
        }
    }
}

template <std::size_t N, class Model>
[[nodiscard]] Linearised<N> linearise(Model const& model, std::span<double const> t,
                                      std::span<double const> y, std::span<double const> weights,
                                      Vector<N> const& p) {
    Linearised<N> at;
    auto curve = curve_of<N>(model, p);
    // Piece by piece, first the curve and then the sums: a call of exp() among the sums would drive all of
    // them out of the registers at every point.
    constexpr std::size_t piece = 16;
    std::array<Vector<N>, piece> gradients;
    std::array<double, piece> residuals;
    for (std::size_t begin = 0; begin < t.size(); begin += piece) {
        std::size_t const count = std::min(piece, t.size() - begin);
        for (std::size_t k = 0; k < count; ++k) {
            gradients[k] = {};
            residuals[k] = y[begin + k] - curve(t[begin + k], gradients[k]);
        }
        if (weights.empty()) {
            for (std::size_t k = 0; k < count; ++k) {
                add_point(at, gradients[k], residuals[k], 1.0);
            }
        } else {
            for (std::size_t k = 0; k < count; ++k) {
                add_point(at, gradients[k], residuals[k], weights[begin + k]);
            }
        }
    }
    return at;
}

// jtj scaled to a unit diagonal, so that parameters of any size meet as equals; a held parameter stands
// alone.
template <std::size_t N>
struct Scaled {
    Matrix<N> h{};
    Vector<N> scale{};  // sqrt of the diagonal; 1 where it is zero
    Vector<N> gradient{};
};

template <std::size_t N>
[[nodiscard]] Scaled<N> scaled(Linearised<N> const& at, std::array<bool, N> const& held) {
    Scaled<N> s;
    for (std::size_t i = 0; i < N; ++i) {
        double const diagonal = std::sqrt(at.jtj[i][i]);
        s.scale[i] = diagonal > 0.0 ? diagonal : 1.0;
        s.gradient[i] = held[i] ? 0.0 : at.jtr[i] / s.scale[i];
        for (std::size_t j = 0; j < i; ++j) {
            s.h[i][j] = held[i] || held[j] ? 0.0 : at.jtj[i][j] / (s.scale[i] * s.scale[j]);
        }
        s.h[i][i] = held[i] || diagonal > 0.0 ? 1.0 : 0.0;
    }
    return s;
}

template <std::size_t N>
[[nodiscard]] double dot(Vector<N> const& a, Vector<N> const& b) {
    double sum = 0.0;
    for (std::size_t i = 0; i < N; ++i) {
        sum += a[i] * b[i];
    }
    return sum;
}

// At a bound, with the descent pointing out of it.
template <std::size_t N>
[[nodiscard]] std::array<bool, N> held_by_bounds(FitOptions<N> const& options, Vector<N> const& p,
                                                 Vector<N> const& descent) {
    std::array<bool, N> held{};
    for (std::size_t i = 0; i < N; ++i) {
        held[i] = (p[i] <= options.lower[i] && descent[i] <= 0.0) ||
                  (p[i] >= options.upper[i] && descent[i] >= 0.0);
    }
    return held;
}

template <std::size_t N>
[[nodiscard]] Vector<N> inside(FitOptions<N> const& options, Vector<N> p) {
    for (std::size_t i = 0; i < N; ++i) {
        p[i] = std::clamp(p[i], options.lower[i], options.upper[i]);
    }
    return p;
}

template <std::size_t N>
void fill_errors(FitResult<N>& result, Linearised<N> const& at, std::size_t points) {
    for (auto& row : result.covariance) {
        row.fill(not_known);
    }
    result.standard_errors.fill(not_known);
    if (points <= N) {
        return;
    }
    double const variance = at.rss / static_cast<double>(points - N);
    result.sigma = std::sqrt(variance);
    auto const s = scaled(at, result.at_bound);
    auto const l = cholesky(s.h);
    if (!l) {
        return;
    }
    auto const inverse = cholesky_inverse(*l);
    for (std::size_t i = 0; i < N; ++i) {
        for (std::size_t j = 0; j < N; ++j) {
            if (!result.at_bound[i] && !result.at_bound[j]) {
                result.covariance[i][j] = variance * inverse[i][j] / (s.scale[i] * s.scale[j]);
            }
        }
        result.standard_errors[i] = std::sqrt(result.covariance[i][i]);
    }
}

// One fit under way.
template <std::size_t N, class Model>
class Descent {
public:
    Descent(Model const& model, std::span<double const> t, std::span<double const> y, Vector<N> const& start,
            FitOptions<N> const& options)
        : model_{model}, t_{t}, y_{y}, options_{options}, p_{inside(options, start)} {
        at_ = linearise<N>(model_, t_, y_, options_.weights, p_);
        for (std::size_t k = 0; k < y_.size(); ++k) {
            y_square_ += (options_.weights.empty() ? 1.0 : options_.weights[k]) * y_[k] * y_[k];
        }
    }

    [[nodiscard]] FitResult<N> run() {
        FitResult<N> result;
        result.iterations = 1;
        bool going = at_.finite() && t_.size() >= N;
        while (going && result.iterations < options_.max_iterations) {
            going = advance(result);
        }
        result.parameters = p_;
        result.rss = at_.rss;
        result.at_bound = held_by_bounds(options_, p_, at_.jtr);
        fill_errors(result, at_, t_.size());
        return result;
    }

private:
    // One damped step, taken or refused. False when there is nothing left to do.
    [[nodiscard]] bool advance(FitResult<N>& result) {
        auto const s = scaled(at_, held_by_bounds(options_, p_, at_.jtr));
        if (auto const undamped = cholesky(s.h)) {
            double const decrement = dot(s.gradient, cholesky_solve(*undamped, s.gradient));
            result.converged = decrement <= threshold();
        }
        if (result.converged || damping_ > largest_damping) {
            return false;  // damped to nothing without descent: stuck, and only the test above says if at the
                           // end
        }
        auto const trial = damped_trial(s);
        auto const there = linearise<N>(model_, t_, y_, options_.weights, trial.p);
        ++result.iterations;
        // Close to the end the gain drowns in the rounding of the sum: there a step that costs no more is
        // taken.
        double const gain = (at_.rss * (1.0 + rounding) - there.rss) / trial.predicted;
        if (there.finite() && gain > 0.0) {
            p_ = trial.p;
            at_ = there;
            damping_ *= std::max(1.0 / 3.0, 1.0 - std::pow(2.0 * gain - 1.0, 3));
            growth_ = 2.0;
        } else {
            damping_ *= growth_;
            growth_ *= 2.0;
        }
        return true;
    }

    struct Trial {
        Vector<N> p{};
        double predicted = 0.0;  // reduction of rss, had the model been linear
    };
    [[nodiscard]] Trial damped_trial(Scaled<N> const& s) {
        auto damped = s.h;
        Vector<N> extra{};
        for (std::size_t i = 0; i < N; ++i) {
            // By the largest scale met so far (Moré 1978): where the curve stops to answer to a parameter, as
            // an exponential does once it has decayed, the parameter must not be free to run away.
            largest_scale_[i] = std::max(largest_scale_[i], s.scale[i]);
            extra[i] = damping_ * std::pow(largest_scale_[i] / s.scale[i], 2);
            damped[i][i] += extra[i];
        }
        Trial trial{p_, 0.0};
        auto const l = cholesky(damped, 0.0);
        if (!l) {
            return trial;  // predicts no gain, so that the step is refused and the damping grows
        }
        auto const step = cholesky_solve(*l, s.gradient);
        trial.predicted = dot(step, s.gradient);
        for (std::size_t i = 0; i < N; ++i) {
            trial.predicted += extra[i] * step[i] * step[i];
            trial.p[i] += step[i] / s.scale[i];
        }
        trial.p = inside(options_, trial.p);
        return trial;
    }

    // The second term stands in for the residuals where the curve fits exactly: a part of 1e-12 of the
    // values.
    [[nodiscard]] double threshold() const {
        return options_.tolerance * options_.tolerance * (at_.rss + 1e-8 * y_square_);
    }

    static constexpr double largest_damping = 1e20;
    static constexpr double rounding = 1e-13;
    Model const& model_;
    std::span<double const> t_, y_;
    FitOptions<N> const& options_;
    Vector<N> p_;
    Linearised<N> at_{};
    double y_square_ = 0.0;
    double damping_ = 1e-3, growth_ = 2.0;
    Vector<N> largest_scale_{};
};

}  // namespace detail

// The parameters that bring `model` closest to the points (t, y) from `start`. `model(t, p, gradient)`
// returns the value at t and fills `gradient` (a zeroed std::array<double, N>) with its derivatives by each
// parameter; or `model(p)` returns the curve at p, called as (t, gradient) for one point after the other in
// their order, so that what hangs on the parameters alone is worked out once and not for each point, and a
// curve that is worked out step by step goes on from the point before. A value that is not finite is no
// accident: the step that led there is refused and a shorter one tried. `t` and `y` are of one length. Not
// converged, with `start` back, where there are fewer points than parameters or the model is not finite at
// the start. A fit can end in a local minimum: start near.
template <std::size_t N, class Model>
[[nodiscard]] FitResult<N> least_squares(Model const& model, std::span<double const> t,
                                         std::span<double const> y, std::array<double, N> start,
                                         FitOptions<N> const& options = {}) {
    return detail::Descent<N, Model>{model, t, y, start, options}.run();
}

}  // namespace probekeeper::estimate
