#include "service/instruments.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

KeptRecord kept(std::int64_t number, double day, std::string probe, std::string serial,
                Work kind = Work::probe_swap) {
    KeptRecord k;
    k.number = number;
    k.record = work(day, kind, std::move(probe));
    k.record.serial = std::move(serial);
    return k;
}

std::map<std::string, std::string> const configured{{"tank-1", "A"}, {"tank-2", "B"}};

}  // namespace

TEST_CASE("without records every instrument is where the configuration has it", "[service][instruments]") {
    Instruments const instruments{configured, {}};
    CHECK(instruments.serial_now("tank-1") == "A");
    CHECK(instruments.serial_at("tank-2", at_day(-1000.0)) == "B");
    CHECK(instruments.serial_now("tank-3").empty());
    CHECK(instruments.all().at("A").stays == std::vector<Stay>{{"tank-1", std::nullopt, std::nullopt}});
}

TEST_CASE("a swap sends one instrument to the workshop and brings another", "[service][instruments]") {
    std::vector const records{kept(1, 5.0, "tank-1", "C")};
    Instruments const instruments{configured, records};
    CHECK(instruments.serial_at("tank-1", at_day(4.9)) == "A");
    CHECK(instruments.serial_at("tank-1", at_day(5.0)) == "C");
    CHECK(instruments.all().at("A").where().empty());
    CHECK(instruments.all().at("A").stays ==
          std::vector<Stay>{{"tank-1", std::nullopt, at_day(5.0)}, {"", at_day(5.0), std::nullopt}});
    CHECK(instruments.all().at("C").stays == std::vector<Stay>{{"tank-1", at_day(5.0), std::nullopt}});
}

TEST_CASE("an instrument comes back from the workshop into another position", "[service][instruments]") {
    std::vector const records{kept(2, 9.0, "tank-2", "A"), kept(1, 5.0, "tank-1", "C")};
    Instruments const instruments{configured, records};
    CHECK(instruments.serial_now("tank-2") == "A");
    CHECK(instruments.all().at("A").stays == std::vector<Stay>{{"tank-1", std::nullopt, at_day(5.0)},
                                                               {"", at_day(5.0), at_day(9.0)},
                                                               {"tank-2", at_day(9.0), std::nullopt}});
    CHECK(instruments.all().at("B").where().empty());
}

TEST_CASE("two positions exchange their instruments in one visit", "[service][instruments]") {
    std::vector const records{kept(1, 5.0, "tank-1", "B"), kept(2, 5.0, "tank-2", "A")};
    Instruments const instruments{configured, records};
    CHECK(instruments.serial_now("tank-1") == "B");
    CHECK(instruments.serial_now("tank-2") == "A");
    CHECK(instruments.all().at("A").stays ==
          std::vector<Stay>{{"tank-1", std::nullopt, at_day(5.0)}, {"tank-2", at_day(5.0), std::nullopt}});
}

TEST_CASE("a swap that came late does not outrank a newer one, and a voided one counts for nothing",
          "[service][instruments]") {
    std::vector records{kept(1, 9.0, "tank-1", "D"), kept(2, 5.0, "tank-1", "C")};
    CHECK(Instruments(configured, records).serial_now("tank-1") == "D");
    CHECK(Instruments(configured, records).serial_at("tank-1", at_day(6.0)) == "C");
    records[0].voided_at = at_day(10.0);
    CHECK(Instruments(configured, records).serial_now("tank-1") == "C");
    CHECK_FALSE(Instruments(configured, records).all().contains("D"));
}

TEST_CASE("a configuration that was put right after a swap does not tell what was there before",
          "[service][instruments]") {
    std::vector records{kept(1, 5.0, "tank-1", "A")};
    Instruments const instruments{configured, records};
    CHECK(instruments.serial_now("tank-1") == "A");
    CHECK(instruments.serial_at("tank-1", at_day(4.0)).empty());
    records.push_back(kept(2, 3.0, "tank-1", "Z", Work::membrane_change));
    CHECK(Instruments(configured, records).serial_at("tank-1", at_day(4.0)) == "Z");
}

TEST_CASE("a swap that names no instrument leaves the position without one", "[service][instruments]") {
    Instruments const instruments{configured, std::vector{kept(1, 5.0, "tank-1", "")}};
    CHECK(instruments.serial_now("tank-1").empty());
    CHECK(instruments.all().at("A").where().empty());
}

TEST_CASE("an instrument that is taken out and put back has not moved", "[service][instruments]") {
    Instruments const instruments{configured,
                                  std::vector{kept(1, 5.0, "tank-1", "A"), kept(2, 6.0, "tank-1", "A")}};
    CHECK(instruments.all().at("A").stays.size() == 1);
}
