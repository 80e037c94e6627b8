#include "hub/bucket.h"

#include <catch2/catch.hpp>

using namespace probekeeper;
using std::chrono::milliseconds;
using std::chrono::seconds;

TEST_CASE("what is sent stays within the rate, whatever the sizes", "[hub]") {
    auto const begin = std::chrono::steady_clock::time_point{};
    hub::Bucket bucket{1000.0, 2000.0, begin};
    CHECK(bucket.wait(begin) == milliseconds{0});
    bucket.take(2000.0, begin);
    CHECK(bucket.wait(begin) == milliseconds{0});  // empty, and not overdrawn
    bucket.take(5000.0, begin);
    CHECK(bucket.wait(begin) == milliseconds{5000});
    CHECK(bucket.wait(begin + seconds{4}) == milliseconds{1000});
    CHECK(bucket.wait(begin + seconds{5}) == milliseconds{0});
    // An hour of silence is no leave for an hour's worth at once.
    bucket.take(2500.0, begin + seconds{3600});
    CHECK(bucket.wait(begin + seconds{3600}) == milliseconds{500});

    auto now = begin + seconds{10'000};
    double sent = 0.0;
    while (now < begin + seconds{11'000}) {
        now += bucket.wait(now);
        bucket.take(700.0, now);
        sent += 700.0;
    }
    CHECK(sent <= 1000.0 * 1000.0 + 2000.0 + 2 * 700.0);  // and what overdraws it at the end
    CHECK(sent >= 1000.0 * 1000.0);
}
