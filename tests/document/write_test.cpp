#include "document/write.h"

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>

#include "base/reading.h"
#include "document/number.h"

namespace json = boost::json;
using namespace probekeeper;
using document::rounded;
using document::write;

TEST_CASE("numbers are rounded to six significant digits, at every size", "[document]") {
    CHECK(rounded(92.09999999) == 92.1);
    CHECK(rounded(static_cast<double>(7.41F)) == 7.41);
    CHECK(rounded(1013.2512) == 1013.25);
    CHECK(rounded(-0.000012345678) == -0.0000123457);
    CHECK(rounded(123456789.0) == 123457000.0);
    CHECK(rounded(999999.7) == 1e6);
    CHECK(rounded(0.0) == 0.0);
    CHECK(rounded(1e-300) == 1e-300);
    CHECK(rounded(1e300) == 1e300);
}

TEST_CASE("rounding keeps to within half a unit of the sixth digit, and does not print more than seven",
          "[document]") {
    std::mt19937_64 random{20260301};
    std::uniform_real_distribution<double> exponent{-14.0, 14.0};
    for (int i = 0; i < 20'000; ++i) {
        double const value = std::pow(10.0, exponent(random));
        double const result = rounded(value);
        CAPTURE(value, result);
        REQUIRE(std::abs(result - value) <= 5.0001e-6 * value);
        REQUIRE(rounded(result) == result);
        auto const text = write(json::value(result));
        REQUIRE(text.size() <= 22);
    }
}

TEST_CASE("what was not read, or is no finite number, is null", "[document]") {
    CHECK(document::number(not_read).is_null());
    CHECK(document::number(std::numeric_limits<double>::infinity()).is_null());
    CHECK(document::number(std::optional<double>{}).is_null());
    CHECK(document::exact_number(not_read).is_null());
    CHECK(write(json::value(not_read)) == "null");
}

TEST_CASE("numbers are written for people: no exponent where none is needed, and reals stay reals",
          "[document]") {
    CHECK(write(json::value(92.1)) == "92.1");
    CHECK(write(json::value(20.0)) == "20.0");
    CHECK(write(json::value(-0.021)) == "-0.021");
    CHECK(write(json::value(1e300)) == "1e+300");
    CHECK(write(json::value(14)) == "14");
    CHECK(write(json::value(std::numeric_limits<std::uint64_t>::max())) == "18446744073709551615");
}

TEST_CASE("text that is not UTF-8 cannot break a document", "[document]") {
    auto const bad = GENERATE(as<std::string>{}, "a\xFFz", "a\xC0\x80z", "a\xED\xA0\x80z",
                              "a\xF4\x90\x80\x80z", "a\xE2\x82", "a\x80z");
    auto const text = write(json::value(json::string(bad)));
    CAPTURE(text);
    boost::system::error_code error;
    auto const back = json::parse(text, error);
    REQUIRE_FALSE(error);
    CHECK(back.as_string().find("\xEF\xBF\xBD") != json::string::npos);
}

TEST_CASE("every text that is UTF-8 comes back as it was", "[document]") {
    json::object const out{{"quote \" back \\", "line\nbreak\ttab\r\x01\x1f"},
                           {"caf\u00e9", "20 \u00b0C \u20ac \U0001F41F"},
                           {"list", json::array{1, 2.5, true, nullptr, json::object{}, json::array{}}}};
    CHECK(json::parse(write(out)) == json::value(out));
}
