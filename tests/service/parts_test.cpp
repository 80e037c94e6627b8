#include "service/parts.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

NextMembrane next(double age_days) {
    NextMembrane n;
    n.probe = "tank-1";
    n.membrane = "cap-25um";
    n.age_days = age_days;
    n.lasts.shape = 3.0;
    n.lasts.scale = 200.0;
    return n;
}

double expected(std::vector<PartNeed> const& parts, std::string const& part) {
    double sum = 0.0;
    for (auto const& p : parts) {
        sum += p.part == part ? p.expected : 0.0;
    }
    return sum;
}

}  // namespace

TEST_CASE("a ticket that asks for a membrane needs one in the week it is due", "[service][parts]") {
    auto one = next(10.0);
    one.asked_for = true;
    one.due = at_day(10.0);
    auto const demand = parts_demand(std::vector{one}, at_day(0.0), 8);
    REQUIRE(demand.weeks.size() == 8);
    CHECK(demand.weeks[0].parts.empty());
    REQUIRE(demand.weeks[1].parts.size() == 3);
    CHECK(demand.weeks[1].parts[0].part == "membrane");
    CHECK(demand.weeks[1].parts[0].kind == "cap-25um");
    CHECK(demand.weeks[1].parts[0].asked_for == 1.0);
    CHECK(demand.weeks[1].parts[0].stock == 1);
    CHECK(demand.weeks[1].parts[2].part == "electrolyte_ml");
    CHECK(demand.weeks[1].parts[2].stock == 5);
    CHECK(demand.weeks[2].parts.empty());
    CHECK(expected(demand.total, "membrane") == 1.0);
}

TEST_CASE("one that is late or has no day needs it in the coming week", "[service][parts]") {
    auto one = next(10.0);
    one.asked_for = true;
    one.due = GENERATE(std::optional<Timestamp>{}, std::optional{at_day(-9.0)});
    CHECK(expected(parts_demand(std::vector{one}, at_day(0.0), 2).weeks[0].parts, "membrane") == 1.0);
}

TEST_CASE("a forecast spreads its membrane over its interval", "[service][parts]") {
    auto one = next(10.0);
    one.forecast = diagnosis::Forecast{Reason::slow_response, at_day(24.5), at_day(17.5), at_day(31.5)};
    auto const demand = parts_demand(std::vector{one}, at_day(0.0), 8);
    CHECK(expected(demand.weeks[3].parts, "membrane") > 0.5);
    CHECK(expected(demand.weeks[2].parts, "membrane") == Approx(expected(demand.weeks[4].parts, "membrane")));
    CHECK(expected(demand.total, "membrane") == Approx(1.0).margin(0.01));
}

TEST_CASE("an old membrane is wanted sooner than a young one, and weeks add up to the total",
          "[service][parts]") {
    auto const young = parts_demand(std::vector{next(5.0)}, at_day(0.0), 8);
    auto const old = parts_demand(std::vector{next(200.0)}, at_day(0.0), 8);
    CHECK(expected(young.total, "membrane") < 0.1);
    CHECK(expected(old.total, "membrane") > 0.5);
    double sum = 0.0;
    for (auto const& week : young.weeks) {
        sum += expected(week.parts, "membrane");
    }
    CHECK(sum == Approx(expected(young.total, "membrane")).epsilon(0.05));
}

TEST_CASE("the stock for many probes is little above what is expected", "[service][parts]") {
    std::vector<NextMembrane> many(100, next(150.0));
    auto const demand = parts_demand(many, at_day(0.0), 8);
    double const mean = expected(demand.total, "membrane");
    CHECK(demand.total[0].stock > mean);
    CHECK(demand.total[0].stock < mean + 10.0);
}

TEST_CASE("a membrane that nobody recorded is counted, and counted as unknown", "[service][parts]") {
    auto one = next(0.0);
    one.age_days.reset();
    auto const demand = parts_demand(std::vector{one}, at_day(0.0), 8);
    CHECK(demand.unknown_age == 1);
    CHECK(expected(demand.total, "membrane") > 0.0);
}
