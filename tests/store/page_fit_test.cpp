// Sizes of rows that fill SQLite's pages of 4 KiB.
#include "store/page_fit.h"

#include <catch2/catch.hpp>

using namespace probekeeper::store;

TEST_CASE("rows fill pages where several fit a leaf, or what is left beyond full pages does",
          "[store][page]") {
    CHECK(share_filled(1950) > 0.9);   // two
    CHECK(share_filled(2100) < 0.55);  // one, and not another
    CHECK(share_filled(3900) > 0.9);
    CHECK(share_filled(4092 + 500) > 0.85);  // a page of its own and an eighth of a leaf
    CHECK(share_filled(4092 + 2200) < 0.8);
    CHECK(share_filled(200) > 0.85);
}

TEST_CASE("a block is of as many readings as fill pages, the most where it does not matter",
          "[store][page]") {
    for (double a_reading = 0.05; a_reading < 40.0; a_reading *= 1.07) {
        CAPTURE(a_reading);
        auto const n = readings_to_fill(a_reading, 1024, 2048);
        CHECK(n >= 1024);
        CHECK(n <= 2048);
        CHECK(share_filled(static_cast<std::size_t>(a_reading * static_cast<double>(n))) > 0.8);
    }
    CHECK(readings_to_fill(0.1, 1024, 2048) > 1900);
    CHECK(readings_to_fill(2.05, 1024, 2048) < 2048);  // 4.1 KiB would take two pages
}
