#include "pipeline/setup_of.h"

#include <catch2/catch.hpp>

#include "pipeline/support.h"

namespace probekeeper::pipeline::test {

TEST_CASE("diagnosis is told of a site's probes in their own order, neighbours by their places in it",
          "[pipeline][setup]") {
    auto fleet = small_fleet();
    fleet.probes[2].poll_s = 2.5;
    fleet.probes[2].limits.t90_ratio = 3.0;
    fleet.probes[2].limits.evidence_days = 12.0;
    fleet.probes[2].line = 4;
    auto const setup = setup_of(fleet, saltmarsh);
    CHECK(setup.id == "saltmarsh");
    REQUIRE(setup.probes.size() == 3);
    CHECK(setup.probes[1].id == "tank-2");
    CHECK(setup.probes[1].poll_s == 2.5);
    CHECK(setup.probes[1].t90_s == 40.0);
    CHECK(setup.probes[1].neighbours == std::vector<std::size_t>{0, 2});
    CHECK(setup.probes[1].line == 4);
    CHECK(setup.probes[0].line == diagnosis::ProbeSetup::no_line);
    CHECK(setup.probes[1].limits.t90_ratio == 3.0);
    CHECK(setup.probes[1].limits.evidence_days == 12.0);
    CHECK_FALSE(setup.probes[1].pressure_measured);
}

TEST_CASE("the limit of the span holds for readings with pressure and without", "[pipeline][setup]") {
    auto fleet = small_fleet();
    fleet.probes[1].limits.span_percent = 8.0;
    fleet.probes[1].limits.span_measured_percent = 4.5;
    auto const setup = setup_of(fleet, saltmarsh);
    CHECK(setup.probes[0].limits.span_percent == 8.0);
    CHECK(setup.probes[0].limits.span_measured_percent == 4.5);
}

TEST_CASE("pressure counts as measured where the probe's register map reads it", "[pipeline][setup]") {
    auto fleet = small_fleet();
    fleet::RegisterMap map;
    fleet.register_maps.push_back(map);
    map.pressure = fleet::Signal{};
    fleet.register_maps.push_back(map);
    fleet.probes[1].register_map = 0;
    fleet.probes[2].register_map = 1;
    auto const setup = setup_of(fleet, saltmarsh);
    CHECK_FALSE(setup.probes[0].pressure_measured);
    CHECK(setup.probes[1].pressure_measured);
}

TEST_CASE("of a record diagnosis is told what was done and what was read", "[pipeline][setup]") {
    auto record = record_of(service::Work::air_calibration, day_one);
    record.dry_zero_mg_l = 0.02;
    record.dry_zero_found_mg_l = 0.2;
    record.air_percent = 104.0;
    record.reference_mg_l = 8.0;
    record.probe_mg_l = 7.5;
    auto const handling = handling_of(record, {{}, {}}, {});
    CHECK(handling.time == day_one);
    CHECK(handling.act == diagnosis::Act::air_calibration);
    CHECK(handling.dry_zero_mg_l == 0.02);  // as left
    CHECK(handling.air_percent == 104.0);
    CHECK(handling.reference_mg_l == 8.0);
    CHECK(handling.probe_mg_l == 7.5);
}

TEST_CASE("of a swap diagnosis is told what left, what came, and from where", "[pipeline][setup]") {
    auto fleet = small_fleet();
    fleet.probes[1].serial = "A";
    fleet.probes[2].serial = "B";
    std::vector<service::KeptRecord> kept(1);
    auto& record = kept[0].record;
    record = record_of(service::Work::probe_swap, day_one, "tank-2");
    record.serial = "A";
    std::vector<service::ProbeFacts> places;
    for (auto const index : probes_of(fleet, saltmarsh)) {
        places.push_back(facts_of(fleet, index));
    }
    auto const handling = handling_of(record, {configured_serials(fleet), kept}, places);
    CHECK(handling.left == "B");
    CHECK(handling.came == "A");
    CHECK(handling.came_from == 0U);
}

}  // namespace probekeeper::pipeline::test
