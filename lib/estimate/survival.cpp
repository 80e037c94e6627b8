#include "estimate/survival.h"

#include <algorithm>
#include <cmath>
#include <set>

namespace probekeeper::estimate {
namespace {

constexpr double normal_90 = 1.6448536269514722;

std::vector<Life> counted(std::span<Life const> lives) {
    std::vector<Life> kept;
    std::copy_if(lives.begin(), lives.end(), std::back_inserter(kept),
                 [](Life const& life) { return life.length > 0.0; });
    return kept;
}

// ln(-ln S) has a standard error of error / |S ln S| (Kalbfleisch and Prentice 1980, from memory).
void set_interval(SurvivalStep& step) {
    if (step.survival <= 0.0 || step.survival >= 1.0) {
        step.low = step.high = step.survival;
        return;
    }
    double const ln_s = std::log(step.survival);
    double const spread = std::exp(normal_90 * step.error / std::abs(step.survival * ln_s));
    step.low = std::exp(ln_s * spread);
    step.high = std::exp(ln_s / spread);
}

// A log likelihood in (ln shape, ln scale) with its derivatives there.
struct Likelihood {
    double value = 0.0;
    double by_shape = 0.0, by_scale = 0.0;
    double shape_shape = 0.0, shape_scale = 0.0, scale_scale = 0.0;
};

// With w = ln(t) - ln(scale), z = shape w: an ended life adds ln shape + z - ln t - e^z, a censored one -e^z.
Likelihood likelihood_at(std::span<Life const> lives, double ln_shape, double ln_scale) {
    double const shape = std::exp(ln_shape);
    Likelihood sum;
    for (auto const& life : lives) {
        double const ln_t = std::log(life.length);
        double const z = shape * (ln_t - ln_scale);
        double const e = std::exp(std::min(z, 700.0));
        double const d = life.ended ? 1.0 : 0.0;
        sum.value += d * (ln_shape + z - ln_t) - e;
        sum.by_shape += d * (1.0 + z) - e * z;
        sum.by_scale += shape * (e - d);
        sum.shape_shape += d * z - e * z * (1.0 + z);
        sum.shape_scale += shape * (e * (1.0 + z) - d);
        sum.scale_scale += -shape * shape * e;
    }
    return sum;
}

void add_prior(Likelihood& sum, WeibullPrior const& prior, double ln_shape, double ln_scale) {
    double const of_shape = 1.0 / (prior.ln_shape_error * prior.ln_shape_error);
    double const of_scale = 1.0 / (prior.ln_scale_error * prior.ln_scale_error);
    double const off_shape = ln_shape - prior.ln_shape, off_scale = ln_scale - prior.ln_scale;
    sum.value -= 0.5 * (of_shape * off_shape * off_shape + of_scale * off_scale * off_scale);
    sum.by_shape -= of_shape * off_shape;
    sum.by_scale -= of_scale * off_scale;
    sum.shape_shape -= of_shape;
    sum.scale_scale -= of_scale;
}

// Newton's method with steps held back where the likelihood is not yet concave or the step leaps.
template <typename At>
Weibull climb(At at, double ln_shape, double ln_scale) {
    constexpr int most_steps = 200;
    constexpr double enough = 1e-12, longest_step = 0.7;
    auto here = at(ln_shape, ln_scale);
    for (int i = 0; i < most_steps; ++i) {
        double ridge = 0.0;
        double det = here.shape_shape * here.scale_scale - here.shape_scale * here.shape_scale;
        // Two negative eigenvalues, or what is taken off the diagonal makes them so.
        while (!(det > 0.0 && here.shape_shape - ridge < 0.0)) {
            ridge = ridge == 0.0 ? 1e-3 * (std::abs(here.shape_shape) + std::abs(here.scale_scale)) + 1e-9
                                 : 4.0 * ridge;
            det =
                (here.shape_shape - ridge) * (here.scale_scale - ridge) - here.shape_scale * here.shape_scale;
        }
        double a = -((here.scale_scale - ridge) * here.by_shape - here.shape_scale * here.by_scale) / det;
        double b = -((here.shape_shape - ridge) * here.by_scale - here.shape_scale * here.by_shape) / det;
        double const longest = std::max(std::abs(a), std::abs(b));
        double part = longest > longest_step ? longest_step / longest : 1.0;
        auto there = at(ln_shape + part * a, ln_scale + part * b);
        while (!(there.value >= here.value) && part > 1e-6) {
            part *= 0.5;
            there = at(ln_shape + part * a, ln_scale + part * b);
        }
        ln_shape += part * a;
        ln_scale += part * b;
        here = there;
        if (part * longest < enough) {
            break;
        }
    }
    Weibull fitted;
    fitted.shape = std::exp(ln_shape);
    fitted.scale = std::exp(ln_scale);
    fitted.log_likelihood = here.value;
    double const det = here.shape_shape * here.scale_scale - here.shape_scale * here.shape_scale;
    fitted.ln_shape_error = std::sqrt(std::max(0.0, -here.scale_scale / det));
    fitted.ln_scale_error = std::sqrt(std::max(0.0, -here.shape_shape / det));
    return fitted;
}

}  // namespace

std::vector<SurvivalStep> kaplan_meier(std::span<Life const> lives) {
    auto sorted = counted(lives);
    std::sort(sorted.begin(), sorted.end(), [](Life const& a, Life const& b) { return a.length < b.length; });
    std::vector<SurvivalStep> steps;
    double survival = 1.0, greenwood = 0.0;
    for (std::size_t i = 0; i < sorted.size();) {
        SurvivalStep step;
        step.length = sorted[i].length;
        step.at_risk = static_cast<int>(sorted.size() - i);
        for (; i < sorted.size() && sorted[i].length == step.length; ++i) {
            step.ended += sorted[i].ended ? 1 : 0;
        }
        if (step.ended == 0) {
            continue;
        }
        double const n = step.at_risk, d = step.ended;
        survival *= (n - d) / n;
        greenwood += step.ended < step.at_risk ? d / (n * (n - d)) : 0.0;
        step.survival = survival;
        step.error = survival * std::sqrt(greenwood);
        set_interval(step);
        steps.push_back(step);
    }
    return steps;
}

std::optional<double> median(std::span<SurvivalStep const> steps) {
    auto const half =
        std::find_if(steps.begin(), steps.end(), [](SurvivalStep const& s) { return s.survival <= 0.5; });
    return half == steps.end() ? std::nullopt : std::optional{half->length};
}

double Weibull::survival(double length) const {
    return length <= 0.0 ? 1.0 : std::exp(-std::pow(length / scale, shape));
}

double Weibull::mean() const {
    return scale * std::tgamma(1.0 + 1.0 / shape);
}

double Weibull::quantile(double share_ended) const {
    return scale * std::pow(-std::log1p(-share_ended), 1.0 / shape);
}

double Weibull::ends_within(double age, double further) const {
    double const from = std::pow(std::max(age, 0.0) / scale, shape);
    double const to = std::pow(std::max(age + further, 0.0) / scale, shape);
    return -std::expm1(from - to);
}

std::optional<Weibull> fit_weibull(std::span<Life const> lives) {
    auto const kept = counted(lives);
    std::set<double> lengths;
    double total = 0.0;
    int ended = 0;
    for (auto const& life : kept) {
        total += life.length;
        if (life.ended) {
            ++ended;
            lengths.insert(life.length);
        }
    }
    if (lengths.size() < 2) {
        return std::nullopt;
    }
    // From the exponential distribution's answer.
    return climb([&](double shape, double scale) { return likelihood_at(kept, shape, scale); }, 0.0,
                 std::log(total / ended));
}

Weibull fit_weibull(std::span<Life const> lives, WeibullPrior const& prior) {
    auto const kept = counted(lives);
    return climb(
        [&](double shape, double scale) {
            auto sum = likelihood_at(kept, shape, scale);
            add_prior(sum, prior, shape, scale);
            return sum;
        },
        prior.ln_shape, prior.ln_scale);
}

}  // namespace probekeeper::estimate
