#include "store/grain.h"

#include <algorithm>
#include <array>
#include <numeric>

#include "store/bit_order.h"

namespace probekeeper::store {

namespace {

using Kind = Grain::Kind;

// The coarsest first. A grain is stored by its value, so this list may be changed at any time.
constexpr std::array grains{
    Grain{Kind::over, false, 1.0},     Grain{Kind::times, false, 0.5},   Grain{Kind::times, false, 0.25},
    Grain{Kind::times, false, 0.2},    Grain{Kind::over, false, 10.0},   Grain{Kind::times, false, 0.1},
    Grain{Kind::times, false, 0.0625}, Grain{Kind::times, false, 0.05},  Grain{Kind::times, false, 0.025},
    Grain{Kind::times, false, 0.02},   Grain{Kind::over, false, 100.0},  Grain{Kind::times, false, 0.01},
    Grain{Kind::times, false, 0.005},  Grain{Kind::times, false, 0.002}, Grain{Kind::over, false, 1000.0},
    Grain{Kind::times, false, 0.001},  Grain{Kind::over, false, 1e4},    Grain{Kind::times, false, 1e-4},
    Grain{Kind::over, false, 1e5},     Grain{Kind::times, false, 1e-5},
};

bool suits(Grain const& grain, std::span<double const> values) {
    return std::all_of(values.begin(), values.end(), [&](double v) { return grain.whole(v).has_value(); });
}

double largest(std::span<double const> values) {
    double most = 0.0;
    for (auto const v : values) {
        most = std::max(most, std::abs(v));
    }
    return most;
}

}  // namespace

std::optional<Grain> usual_grain(std::span<double const> values) {
    auto const* const found =
        std::find_if(grains.begin(), grains.end(), [&](Grain const& grain) { return suits(grain, values); });
    return found == grains.end() ? std::nullopt : std::optional{*found};
}

std::optional<Grain> usual_single_grain(std::span<double const> values) {
    // Of finer grains every float is a multiple, after rounding, and the multiples are the longer numbers.
    double const least = precision_at(largest(values), true);
    for (auto grain : grains) {
        grain.single = true;
        if (grain.size() > least && suits(grain, values)) {
            return grain;
        }
    }
    return std::nullopt;
}

std::optional<Grain> exact_grain(std::span<double const> values, bool single) {
    double const most = largest(values);
    if (!std::isfinite(most) || most == 0.0) {
        return std::nullopt;
    }
    // A power of two: what follows is exact, but for values so small beside it that nothing is left of them.
    double const least = precision_at(most, single);
    if (!std::isfinite(least)) {
        return std::nullopt;
    }
    std::int64_t common = 0;
    for (auto const v : values) {
        double const units = v / least;
        if (units != std::trunc(units) || (v == 0.0 && std::signbit(v))) {
            return std::nullopt;
        }
        common = std::gcd(common, static_cast<std::int64_t>(units));
        if (common == 1) {
            return std::nullopt;
        }
    }
    Grain const found{Kind::times, false, static_cast<double>(common) * least};
    return suits(found, values) ? std::optional{found} : std::nullopt;
}

}  // namespace probekeeper::store
