#include "chart/axis.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <string_view>

namespace probekeeper::chart {
namespace {

constexpr std::array<std::string_view, 12> months{"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                                  "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
constexpr std::int64_t hour_ms = 3'600'000;

std::string label_of(Timestamp time, bool whole_days) {
    auto const day = std::chrono::floor<std::chrono::days>(time);
    if (!whole_days && time != day) {
        auto const minutes = std::chrono::duration_cast<std::chrono::minutes>(time - day).count();
        return fmt::format("{:02}:{:02}", minutes / 60, minutes % 60);
    }
    std::chrono::year_month_day const date{day};
    return fmt::format("{} {}", static_cast<unsigned>(date.day()),
                       months[static_cast<unsigned>(date.month()) - 1]);
}

}  // namespace

Axis axis_over(double lowest, double highest, int steps) {
    double const span =
        std::max(highest - lowest, 1e-9 * std::max({1.0, std::abs(lowest), std::abs(highest)}));
    double const rough = span / steps;
    double const power = std::pow(10.0, std::floor(std::log10(rough)));
    double const part = rough / power;
    Axis axis;
    axis.step = (part <= 1.0 ? 1.0 : part <= 2.0 ? 2.0 : part <= 5.0 ? 5.0 : 10.0) * power;
    axis.low = std::floor(lowest / axis.step) * axis.step;
    axis.high = std::ceil(highest / axis.step) * axis.step;
    if (axis.high <= axis.low) {
        axis.high = axis.low + axis.step;
    }
    return axis;
}

std::string label(double value, double step) {
    int const decimals = std::clamp(static_cast<int>(std::ceil(-std::log10(step) - 1e-9)), 0, 6);
    auto const rounded = std::abs(value) < 0.5 * std::pow(10.0, -decimals) ? 0.0 : value;  // no "-0"
    return fmt::format("{:.{}f}", rounded, decimals);
}

std::vector<Tick> time_ticks(Timestamp from, Timestamp to, int most) {
    constexpr std::array<std::int64_t, 14> hours{1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 672, 1344, 2688, 8736};
    auto const span_ms = (to - from).count();
    auto const found = std::find_if(hours.begin(), hours.end(),
                                    [&](std::int64_t h) { return span_ms / (h * hour_ms) < most; });
    auto const step_ms = (found == hours.end() ? hours.back() : *found) * hour_ms;
    std::vector<Tick> ticks;
    for (auto ms = (to_unix_ms(from) + step_ms - 1) / step_ms * step_ms; ms <= to_unix_ms(to);
         ms += step_ms) {
        auto const time = from_unix_ms(ms);
        ticks.push_back({time, label_of(time, step_ms >= 24 * hour_ms)});
    }
    return ticks;
}

}  // namespace probekeeper::chart
