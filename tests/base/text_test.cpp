#include "base/text.h"

#include <array>
#include <catch2/catch.hpp>

using namespace probekeeper;

TEST_CASE("numbers are read whole or not at all", "[base][text]") {
    CHECK(parse_number("-3.5e-2") == -0.035);
    CHECK(parse_number("+7") == 7.0);
    CHECK_FALSE(parse_number("7.1 ").has_value());
    CHECK_FALSE(parse_number("nan").has_value());
    CHECK_FALSE(parse_number("inf").has_value());
    CHECK_FALSE(parse_number("").has_value());
    CHECK_FALSE(parse_number("7,1").has_value());
    CHECK(parse_integer("-12") == -12);
    CHECK_FALSE(parse_integer("12.0").has_value());
}

TEST_CASE("the nearest word is offered, and none where none is near", "[base][text]") {
    std::array<char const*, 3> const keys{"register_map", "poll_s", "t90_s"};
    CHECK(nearest_word("registermap", keys) == "register_map");
    CHECK(nearest_word("pol_s", keys) == "poll_s");
    CHECK_FALSE(nearest_word("colour", keys).has_value());
}
