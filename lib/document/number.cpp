#include "document/number.h"

#include <array>
#include <boost/json/string.hpp>
#include <charconv>
#include <cmath>

namespace probekeeper::document {
namespace {

constexpr int digits = 6;
// Powers of ten up to 22 are exact in a double, so a quotient by one is the double nearest to the decimal.
constexpr std::array<double, 23> powers{1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                        1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                        1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

double rounded_by_text(double value) {
    std::array<char, 32> text{};
    auto const end = std::to_chars(text.data(), text.data() + text.size(), value,
                                   std::chars_format::scientific, digits - 1)
                         .ptr;
    double result = 0.0;
    std::from_chars(text.data(), end, result);
    return result;
}

}  // namespace

double rounded(double value) {
    double const size = std::abs(value);
    if (size >= 1e6 || size < 1e-12) {
        return value == 0.0 ? 0.0 : rounded_by_text(value);
    }
    // Rounds to `places` decimals; an error of one in floor(log10) only keeps a digit more or less.
    int const places = digits - 1 - static_cast<int>(std::floor(std::log10(size)));
    double const power = powers[static_cast<std::size_t>(places)];
    return std::round(value * power) / power;
}

boost::json::value number(double value) {
    return std::isfinite(value) ? boost::json::value(rounded(value)) : boost::json::value(nullptr);
}

boost::json::value number(std::optional<double> const& value) {
    return value ? number(*value) : boost::json::value(nullptr);
}

boost::json::value exact_number(std::optional<double> const& value) {
    return value && std::isfinite(*value) ? boost::json::value(*value) : boost::json::value(nullptr);
}

boost::json::value time(Timestamp t) {
    return boost::json::value(to_rfc3339(t));
}

boost::json::value time(std::optional<Timestamp> const& t) {
    return t ? time(*t) : boost::json::value(nullptr);
}

boost::json::value text_or_null(std::string_view text) {
    return text.empty() ? boost::json::value(nullptr) : boost::json::value(boost::json::string(text));
}

}  // namespace probekeeper::document
