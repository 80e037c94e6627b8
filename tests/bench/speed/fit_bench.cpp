// One response fit beside the same fit by the GNU Scientific Library, to the same accuracy.   bench_fit
// [--small]
//
// The fall of a reading after a blast: baseline, slope and an exponential tail, four parameters, 120 readings
// at 5 s with a probe's noise; analytic derivatives and the same start for both, GSL's workspace made once.
#include <gsl/gsl_blas.h>
#include <gsl/gsl_multifit_nlinear.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <random>
#include <set>
#include <string>
#include <vector>

#include "estimate/fit.h"
#include "figure.h"

using namespace probekeeper;
using bench::processor_seconds_of;

namespace {

constexpr std::size_t parameters = 4;
using Parameters = std::array<double, parameters>;

struct Piece {
    std::vector<double> t, y;
    Parameters start{};
};

double value_at(double t, double tau, Parameters const& p, Parameters& g) {
    g = {1.0, t, 0.0, 0.0};
    double value = p[0] + p[1] * t;
    if (t >= 0.0) {
        double const e = std::exp(-t / tau);
        g[2] = e;
        g[3] = p[2] * e * t / tau;
        value += p[2] * e;
    }
    return value;
}

std::vector<Piece> pieces(std::size_t how_many) {
    std::mt19937 random{7};
    std::normal_distribution<double> noise{0.0, 0.02};
    std::uniform_real_distribution<double> part{0.0, 1.0};
    std::vector<Piece> made(how_many);
    for (auto& piece : made) {
        Parameters const truth{2.0 + 4.0 * part(random), 1e-4 * (part(random) - 0.5),
                               2.0 + 3.0 * part(random), std::log(10.0 + 60.0 * part(random))};
        Parameters unused{};
        for (int i = -20; i < 100; ++i) {
            piece.t.push_back(5.0 * i);
            piece.y.push_back(value_at(piece.t.back(), std::exp(truth[3]), truth, unused) + noise(random));
        }
        piece.start = {truth[0] + 0.1, 0.0, truth[2] * 0.8, truth[3] + 0.5 * (part(random) - 0.5)};
    }
    return made;
}

class Gsl {
public:
    explicit Gsl(std::size_t points) {
        auto settings = gsl_multifit_nlinear_default_parameters();
        settings.trs = gsl_multifit_nlinear_trs_lm;
        settings.solver = gsl_multifit_nlinear_solver_cholesky;  // the quickest of its solvers
        workspace_ = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &settings, points, parameters);
        covariance_ = gsl_matrix_alloc(parameters, parameters);
    }
    ~Gsl() {
        gsl_matrix_free(covariance_);
        gsl_multifit_nlinear_free(workspace_);
    }
    Gsl(Gsl const&) = delete;
    Gsl& operator=(Gsl const&) = delete;

    // Parameters, and the standard error of the last.
    std::pair<Parameters, double> fit(Piece const& piece) {
        gsl_multifit_nlinear_fdf problem{};
        problem.f = residuals;
        problem.df = jacobian;
        problem.n = piece.t.size();
        problem.p = parameters;
        problem.params = const_cast<Piece*>(&piece);
        auto const start = gsl_vector_const_view_array(piece.start.data(), parameters);
        gsl_multifit_nlinear_init(&start.vector, &problem, workspace_);
        int info = 0;
        gsl_multifit_nlinear_driver(200, 1e-8, 1e-8, 0.0, nullptr, nullptr, &info, workspace_);
        gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(workspace_), 0.0, covariance_);
        double rss = 0.0;
        auto const* const f = gsl_multifit_nlinear_residual(workspace_);
        gsl_blas_ddot(f, f, &rss);
        Parameters found{};
        for (std::size_t i = 0; i < parameters; ++i) {
            found[i] = gsl_vector_get(workspace_->x, i);
        }
        double const variance = rss / static_cast<double>(piece.t.size() - parameters);
        return {found, std::sqrt(variance * gsl_matrix_get(covariance_, 3, 3))};
    }

private:
    static Parameters of(gsl_vector const* x) {
        return {gsl_vector_get(x, 0), gsl_vector_get(x, 1), gsl_vector_get(x, 2), gsl_vector_get(x, 3)};
    }
    static int residuals(gsl_vector const* x, void* given, gsl_vector* f) {
        auto const& piece = *static_cast<Piece const*>(given);
        auto const p = of(x);
        double const tau = std::exp(p[3]);
        for (std::size_t i = 0; i < piece.t.size(); ++i) {
            double const t = piece.t[i];
            gsl_vector_set(f, i, p[0] + p[1] * t + (t >= 0.0 ? p[2] * std::exp(-t / tau) : 0.0) - piece.y[i]);
        }
        return GSL_SUCCESS;
    }
    static int jacobian(gsl_vector const* x, void* given, gsl_matrix* j) {
        auto const& piece = *static_cast<Piece const*>(given);
        auto const p = of(x);
        double const tau = std::exp(p[3]);
        Parameters g{};
        for (std::size_t i = 0; i < piece.t.size(); ++i) {
            static_cast<void>(value_at(piece.t[i], tau, p, g));
            for (std::size_t k = 0; k < parameters; ++k) {
                gsl_matrix_set(j, i, k, g[k]);
            }
        }
        return GSL_SUCCESS;
    }

    gsl_multifit_nlinear_workspace* workspace_ = nullptr;
    gsl_matrix* covariance_ = nullptr;
};

std::pair<Parameters, double> ours(Piece const& piece) {
    estimate::FitOptions<parameters> options;
    options.lower = {-1e9, -1e3, -1e9, std::log(0.3)};
    options.upper = {1e9, 1e3, 1e9, std::log(3600.0)};
    auto const model = [](Parameters const& p) {
        return [&p, tau = std::exp(p[3])](double t, Parameters& g) { return value_at(t, tau, p, g); };
    };
    auto const fitted = estimate::least_squares<parameters>(
        model, std::span<double const>{piece.t}, std::span<double const>{piece.y}, piece.start, options);
    return {fitted.parameters, fitted.standard_errors[3]};
}

}  // namespace

int main(int argc, char** argv) {
    std::set<std::string> const asked(argv + 1, argv + argc);
    auto const all = pieces(asked.contains("--small") ? 50 : 5000);
    int const turns = asked.contains("--small") ? 1 : 3;
    Gsl gsl{all.front().t.size()};
    std::vector<std::pair<Parameters, double>> found_ours(all.size()), found_gsl(all.size());
    double ours_s = 0.0, gsl_s = 0.0;
    constexpr std::size_t at_a_time = 50;  // taking turns, so that both meet the same machine
    for (int turn = 0; turn < turns; ++turn) {
        for (std::size_t from = 0; from < all.size(); from += at_a_time) {
            std::size_t const until = std::min(from + at_a_time, all.size());
            ours_s += processor_seconds_of([&] {
                for (std::size_t i = from; i < until; ++i) {
                    found_ours[i] = ours(all[i]);
                }
            });
            gsl_s += processor_seconds_of([&] {
                for (std::size_t i = from; i < until; ++i) {
                    found_gsl[i] = gsl.fit(all[i]);
                }
            });
        }
    }
    // In standard errors of the time constant: a hundred-thousandth of one tells nobody anything.
    double furthest = 0.0;
    for (std::size_t i = 0; i < all.size(); ++i) {
        auto const& [p, error] = found_ours[i];
        furthest = std::max({furthest, std::abs(p[3] - found_gsl[i].first[3]) / error,
                             std::abs(error / found_gsl[i].second - 1.0)});
    }
    if (!(furthest < 1e-5)) {
        fmt::print(stderr, "bench_fit: the two fits lie {} standard errors apart\n", furthest);
        return 1;
    }
    auto const n = static_cast<double>(all.size()) * turns;
    double const ratio = gsl_s / ours_s;
    bench::print(
        {"response_fit", "fits/s", "GSL, the same fit", ">= 5x", n / ours_s, n / gsl_s, ratio, ratio >= 5.0});
    return 0;
}
