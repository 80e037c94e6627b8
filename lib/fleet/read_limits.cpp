#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

struct LimitKey {
    std::string_view name;
    double Limits::*member;
    double lowest, highest;
};

// Ranges: above zero, ratios above 1, and wide enough that only a slip of the pen lies outside.
constexpr double above_zero = 0.001;
constexpr std::array<LimitKey, limit_count> keys{{
    {"t90_ratio", &Limits::t90_ratio, 1.05, 100.0},
    {"background_mg_l", &Limits::background_mg_l, above_zero, 20.0},
    {"background_water_mg_l", &Limits::background_water_mg_l, above_zero, 20.0},
    {"fluctuation_ratio", &Limits::fluctuation_ratio, 1.05, 1000.0},
    {"span_percent", &Limits::span_percent, 0.1, 100.0},
    {"reference_percent", &Limits::reference_percent, 0.1, 100.0},
    {"reference_mg_l", &Limits::reference_mg_l, above_zero, 20.0},
    {"no_reading_minutes", &Limits::no_reading_minutes, 0.1, 10'080.0},
    {"no_reading_ticket_minutes", &Limits::no_reading_ticket_minutes, 0.1, 100'800.0},
    {"evidence_days", &Limits::evidence_days, 1.0, 3650.0},
    {"horizon_days", &Limits::horizon_days, 0.0, 365.0},  // 0: a forecast never opens a ticket
}};

}  // namespace

WrittenLimits read_limits(Section& section) {
    WrittenLimits written{};
    for (std::size_t i = 0; i < keys.size(); ++i) {
        written[i] = section.number(keys[i].name, keys[i].lowest, keys[i].highest);
    }
    section.finish();
    return written;
}

void for_each_limit(Limits const& limits, std::function<void(std::string_view, double)> const& take) {
    for (auto const& key : keys) {
        take(key.name, limits.*key.member);
    }
}

Limits merged(Limits fallback, std::initializer_list<WrittenLimits const*> layers) {
    for (auto const* layer : layers) {
        for (std::size_t i = 0; i < keys.size(); ++i) {
            double& limit = fallback.*keys[i].member;
            limit = (*layer)[i].value_or(limit);
        }
    }
    return fallback;
}

}  // namespace probekeeper::fleet
