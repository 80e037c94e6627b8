#include "service/out_of_use.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

OutOfUse told(std::optional<std::string> probe, double from, std::optional<double> until) {
    OutOfUse t;
    t.site = "saltmarsh";
    t.probe = std::move(probe);
    t.from = at_day(from);
    t.until = until ? std::optional{at_day(*until)} : std::nullopt;
    return t;
}

}  // namespace

TEST_CASE("a probe is out of use by what was told of it and of its site", "[service][out_of_use]") {
    std::vector const all{told("tank-1", 10.0, 12.0), told(std::nullopt, 1.0, 3.0), told("tank-2", 5.0, 6.0)};
    CHECK(absences_of(all, "saltmarsh", "tank-1") ==
          std::vector<Absence>{{at_day(1.0), at_day(3.0)}, {at_day(10.0), at_day(12.0)}});
    CHECK(absences_of(all, "elsewhere", "tank-1").empty());
}

TEST_CASE("absences that touch are one, and one without an end goes on", "[service][out_of_use]") {
    std::vector const all{told("tank-1", 2.0, 4.0), told("tank-1", 4.0, std::nullopt),
                          told(std::nullopt, 3.0, 5.0)};
    CHECK(absences_of(all, "saltmarsh", "tank-1") == std::vector<Absence>{{at_day(2.0), Timestamp::max()}});
}

TEST_CASE("what ended as it began never was", "[service][out_of_use]") {
    CHECK(absences_of(std::vector{told("tank-1", 2.0, 2.0)}, "saltmarsh", "tank-1").empty());
}
