#include <catch2/catch.hpp>

#include <algorithm>
#include <set>

#include "service/support.h"
#include "service/work_plan.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

WorkPlan planned(std::vector<Finding> const& findings, ProbeFacts const& facts = probe()) {
    return plan_work(findings, facts);
}

bool has_part(WorkPlan const& plan, std::string const& part) {
    return std::any_of(plan.parts.begin(), plan.parts.end(), [&](auto const& p) { return p.part == part; });
}

bool mentions(std::vector<std::string> const& cautions, std::string const& word) {
    return std::any_of(cautions.begin(), cautions.end(),
                       [&](auto const& c) { return c.find(word) != std::string::npos; });
}

std::size_t place(WorkPlan const& plan, std::string const& task) {
    auto const found = std::find(plan.work.begin(), plan.work.end(), task);
    REQUIRE(found != plan.work.end());
    return static_cast<std::size_t>(found - plan.work.begin());
}

}  // namespace

TEST_CASE("the work for a slow response is the interface's, and begins with a wipe", "[service][work]") {
    auto const plan = planned({slow(1.0)});
    CHECK(plan.work == std::vector<std::string>{"wipe_membrane", "lift_test", "change_membrane_and_o_ring",
                                                "clean_anode_and_cathode", "refill_electrolyte",
                                                "air_calibration"});
    REQUIRE(plan.parts.size() == 3);
    CHECK(plan.parts[0].part == "membrane");
    CHECK(plan.parts[0].kind == "cap-25um");
    CHECK(plan.parts[1].part == "o_ring");
    CHECK(plan.parts[2].part == "electrolyte_ml");
    CHECK(plan.parts[2].quantity == 5);
    // The example of the interface: T90 92.1 s.
    CHECK(plan.meanwhile ==
          "Readings settle right but late: control no faster than every 8 minutes on them.");
}

TEST_CASE("whatever else is wrong, the membrane of a slow probe is wiped before it is changed",
          "[service][work]") {
    for (int i = 0; i < static_cast<int>(diagnosis::reason_count); ++i) {
        auto const plan = planned({finding(static_cast<Reason>(i), 1.0), slow(1.0)});
        CHECK(place(plan, "wipe_membrane") < place(plan, "change_membrane_and_o_ring"));
        CHECK(place(plan, "lift_test") < place(plan, "change_membrane_and_o_ring"));
    }
}

TEST_CASE("every reason has work, advice and cautions", "[service][work]") {
    for (int i = 0; i < static_cast<int>(diagnosis::reason_count); ++i) {
        auto const plan = planned({finding(static_cast<Reason>(i), 1.0)});
        CAPTURE(diagnosis::to_word(static_cast<Reason>(i)));
        CHECK_FALSE(plan.work.empty());
        CHECK_FALSE(plan.meanwhile.empty());
        CHECK(mentions(plan.cautions, "no life-support or safety alarm"));
        CHECK(mentions(plan.cautions, "local codes"));
        CHECK(mentions(plan.cautions, "never alone"));
        CHECK(mentions(plan.cautions, "Isolate"));
    }
}

TEST_CASE("several reasons merge without repeats", "[service][work]") {
    auto const plan = planned({slow(1.0), finding(Reason::background, 1.0), finding(Reason::no_signal, 1.0)});
    std::set<std::string> const different(plan.work.begin(), plan.work.end());
    CHECK(different.size() == plan.work.size());
    CHECK(has_part(plan, "abrasive_pad"));
    CHECK(std::count_if(plan.parts.begin(), plan.parts.end(),
                        [](auto const& p) { return p.part == "membrane"; }) == 1);
    CHECK(place(plan, "dry_zero_check") < place(plan, "clean_anode_and_cathode"));
    CHECK(plan.work.back() == "air_calibration");
}

TEST_CASE("work that opens no probe asks for no parts and warns of no electrolyte", "[service][work]") {
    auto const plan = planned({finding(Reason::no_communication, 1.0)});
    CHECK(plan.parts.empty());
    CHECK_FALSE(mentions(plan.cautions, "electrolyte"));
    CHECK(mentions(plan.cautions, "Supply and panel"));
    CHECK(mentions(planned({slow(1.0)}).cautions, "alkaline"));
}

TEST_CASE("the operator is told by how much readings are off", "[service][work]") {
    auto floor = finding(Reason::background, 1.0);
    floor.value = 0.25;
    CHECK(planned({floor}).meanwhile == "Low readings are too high by about 0.25 mg/L.");
    auto air = finding(Reason::span_error, 1.0);
    air.value = 92.5;
    CHECK(planned({air}).meanwhile == "Readings are about 7.5 % too low.");
    auto meter = finding(Reason::reference_disagreement, 1.0);
    meter.value = 0.6;
    CHECK(planned({meter}).meanwhile == "Readings are about 0.60 mg/L too high.");
    CHECK(planned({floor, air}).meanwhile ==
          "Low readings are too high by about 0.25 mg/L. Readings are about 7.5 % too low.");
}

TEST_CASE("beside a failure nothing else is said of the readings", "[service][work]") {
    auto const plan = planned({slow(1.0), finding(Reason::no_signal, 1.0)});
    CHECK(plan.meanwhile.find("Do not control on this probe") == 0);
    CHECK(plan.meanwhile.find("settle") == std::string::npos);
}

TEST_CASE("cautions follow the kind of site and the use of the probe", "[service][work]") {
    auto facts = probe("basin-1", fleet::Use::control);
    CHECK_FALSE(mentions(planned({slow(1.0)}, facts).cautions, "hydrogen sulphide"));
    CHECK(mentions(planned({slow(1.0)}, facts).cautions, "biosecurity"));
    CHECK(mentions(planned({slow(1.0)}, facts).cautions, "manual before lifting"));
    facts.site_kind = fleet::SiteKind::wastewater;
    CHECK(mentions(planned({slow(1.0)}, facts).cautions, "hydrogen sulphide"));
    CHECK(mentions(planned({slow(1.0)}, facts).cautions, "says nothing about the air"));
    facts.use = fleet::Use::monitor;
    CHECK_FALSE(mentions(planned({slow(1.0)}, facts).cautions, "manual"));
}

TEST_CASE("no findings, no plan", "[service][work]") {
    auto const plan = planned({});
    CHECK(plan.work.empty());
    CHECK(plan.cautions.empty());
}
