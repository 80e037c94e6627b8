#include "service/parts.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "estimate/normal.h"

namespace probekeeper::service {
namespace {

constexpr double week_days = 7.0;
constexpr double day_ms = 86'400'000.0;
constexpr double normal_90 = 1.6448536269514722;
constexpr int electrolyte_ml = 5;  // a filling, as on tickets
constexpr double enough = 0.9;

double days_from(Timestamp now, Timestamp time) {
    return static_cast<double>((time - now).count()) / day_ms;
}

// That the next membrane is wanted before `days` from now.
double wanted_within(NextMembrane const& next, Timestamp now, double days) {
    if (next.asked_for) {
        double const due = next.due ? std::max(0.0, days_from(now, *next.due)) : 0.0;
        return due < days ? 1.0 : 0.0;
    }
    if (next.forecast) {
        double const due = days_from(now, next.forecast->due);
        double const spread = days_from(next.forecast->earliest, next.forecast->latest) / (2.0 * normal_90);
        return estimate::normal_cdf((days - due) / std::max(spread, 0.5));
    }
    // Of one whose age nobody knows: the middle of a life, as likely as any.
    double const age = next.age_days.value_or(0.5 * next.lasts.quantile(0.5));
    return next.lasts.ends_within(age, days);
}

// Sums of independent yes and no are told by mean and variance; of few, a little generously.
struct Sum {
    double mean = 0.0, variance = 0.0, certain = 0.0;
    void add(double probability, bool asked_for) {
        mean += probability;
        variance += probability * (1.0 - probability);
        certain += asked_for ? probability : 0.0;
    }
    [[nodiscard]] int stock() const {
        double const above = estimate::normal_quantile(enough) * std::sqrt(variance);
        return static_cast<int>(std::ceil(mean + above - 0.05));
    }
};

std::vector<PartNeed> parts_of(std::map<std::string, Sum> const& by_kind) {
    std::vector<PartNeed> parts;
    Sum all;
    for (auto const& [kind, sum] : by_kind) {
        if (sum.mean > 0.0) {
            parts.push_back({"membrane", kind, sum.certain, sum.mean, sum.stock()});
        }
        all.mean += sum.mean;
        all.variance += sum.variance;
        all.certain += sum.certain;
    }
    if (all.mean > 0.0) {
        parts.push_back({"o_ring", "", all.certain, all.mean, all.stock()});
        parts.push_back({"electrolyte_ml", "", all.certain * electrolyte_ml, all.mean * electrolyte_ml,
                         all.stock() * electrolyte_ml});
    }
    return parts;
}

}  // namespace

PartsDemand parts_demand(std::span<NextMembrane const> probes, Timestamp now, int weeks) {
    PartsDemand demand;
    weeks = std::clamp(weeks, 1, most_weeks);
    std::map<std::string, Sum> total;
    for (int week = 0; week < weeks; ++week) {
        std::map<std::string, Sum> by_kind;
        double const from = week_days * week;
        for (auto const& next : probes) {
            double const before = week == 0 ? 0.0 : wanted_within(next, now, from);
            by_kind[next.membrane].add(std::max(0.0, wanted_within(next, now, from + week_days) - before),
                                       next.asked_for);
        }
        demand.weeks.push_back({now + days(from), now + days(from + week_days), parts_of(by_kind)});
    }
    for (auto const& next : probes) {
        total[next.membrane].add(wanted_within(next, now, week_days * weeks), next.asked_for);
        demand.unknown_age += !next.asked_for && !next.forecast && !next.age_days ? 1 : 0;
    }
    demand.total = parts_of(total);
    return demand;
}

}  // namespace probekeeper::service
