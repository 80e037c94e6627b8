#include "service/month_report.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;
using diagnosis::Condition;

namespace {

ReportSource source() {
    ReportSource s;
    s.site = "saltmarsh";
    s.from = at_day(0.0);
    s.until = at_day(30.0);
    s.now = at_day(40.0);
    s.probes.push_back({"tank-1", "Inlet side", {}, {}, {}});
    return s;
}

KeptRecord kept(Record record) {
    KeptRecord k;
    k.record = std::move(record);
    return k;
}

}  // namespace

TEST_CASE("time without any diagnosis is unknown, not good", "[service][report]") {
    auto const report = month_report(source());
    REQUIRE(report.probes.size() == 1);
    CHECK(report.probes[0].time.unknown == Approx(1.0));
    CHECK(report.probes[0].time.judged() == 0.0);
}

TEST_CASE("a condition holds until the next, from before the month into it", "[service][report]") {
    auto s = source();
    s.probes[0].conditions = {{at_day(-5.0), Condition::good},
                              {at_day(12.0), Condition::maintenance_required},
                              {at_day(18.0), Condition::function_check},
                              {at_day(18.3), Condition::good},
                              {at_day(35.0), Condition::failure}};
    auto const t = month_report(s).probes[0].time;
    CHECK(t.good == Approx((12.0 + 11.7) / 30.0));
    CHECK(t.maintenance_required == Approx(6.0 / 30.0));
    CHECK(t.function_check == Approx(0.3 / 30.0));
    CHECK(t.failure == 0.0);
    CHECK(t.judged() + t.function_check + t.unknown + t.out_of_use == Approx(1.0));
}

TEST_CASE("a probe out of use is neither good nor unknown", "[service][report]") {
    auto s = source();
    s.probes[0].conditions = {{at_day(-5.0), Condition::good}};
    s.probes[0].absences = {{at_day(-9.0), at_day(3.0)}, {at_day(27.0), Timestamp::max()}};
    auto const t = month_report(s).probes[0].time;
    CHECK(t.out_of_use == Approx(6.0 / 30.0));
    CHECK(t.good == Approx(24.0 / 30.0));
}

TEST_CASE("a month that goes on is told up to now", "[service][report]") {
    auto s = source();
    s.now = at_day(10.0);
    s.probes[0].conditions = {{at_day(5.0), Condition::good}};
    auto const report = month_report(s);
    CHECK_FALSE(report.complete);
    CHECK(report.until == at_day(10.0));
    CHECK(report.probes[0].time.good == Approx(0.5));
}

TEST_CASE("checks, work and membranes of the month are counted, voided ones are not", "[service][report]") {
    auto s = source();
    diagnosis::ResponseTest test;
    test.time = at_day(2.0);
    test.t90_20_s = 60.0;
    test.used = true;
    auto second = test, unused = test, later = test;
    second.time = at_day(20.0);
    second.t90_20_s = 41.0;
    unused.used = false;
    unused.time = at_day(21.0);
    later.time = at_day(31.0);
    s.probes[0].tests = {test, second, unused, later};
    s.records = {kept(work(10.0)), kept(work(10.1, Work::air_calibration)),
                 kept(work(-3.0, Work::reference_check))};
    auto voided = kept(work(11.0, Work::reference_check));
    voided.voided_at = at_day(12.0);
    s.records.push_back(voided);
    MembraneLife life;
    life.kind = "cap-25um";
    life.installed = at_day(10.0);
    s.lives = {life, life};
    s.lives[1].installed = at_day(-20.0);
    auto const report = month_report(s);
    CHECK(report.probes[0].response_tests == 3);
    CHECK(report.probes[0].response_tests_used == 2);
    CHECK(report.probes[0].first_t90_s == 60.0);
    CHECK(report.probes[0].last_t90_s == 41.0);
    CHECK(report.probes[0].reference_checks == 0);
    CHECK(report.probes[0].calibrations == 1);
    REQUIRE(report.work.size() == 2);
    CHECK(report.work[0].kind == Work::membrane_change);
    CHECK(report.membranes == std::map<std::string, int>{{"cap-25um", 1}});
}

TEST_CASE("tickets are told as they stood at the end of the month", "[service][report]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    tickets.record(work(28.0));
    tickets.consider(probe(), tested(diagnosed(28.1), 28.05));
    auto s = source();
    SECTION("one that was proved in the month") {
        tickets.consider(probe(), tested(diagnosed(29.0), 28.9));
        s.tickets = {*tickets.find("saltmarsh-17")};
        auto const report = month_report(s);
        REQUIRE(report.tickets.size() == 1);
        CHECK(report.tickets[0].state == State::verified);
        CHECK(report.tickets[0].ended_at == at_day(29.0));
        CHECK(report.tickets[0].how.find("response restored") == 0);
    }
    SECTION("one that was proved later was serviced") {
        tickets.consider(probe(), tested(diagnosed(33.0), 32.9));
        s.tickets = {*tickets.find("saltmarsh-17")};
        auto const report = month_report(s);
        REQUIRE(report.tickets.size() == 1);
        CHECK(report.tickets[0].state == State::serviced);
        CHECK_FALSE(report.tickets[0].ended_at);
    }
    SECTION("one that ended before is no longer told") {
        tickets.consider(probe(), tested(diagnosed(29.0), 28.9));
        s.tickets = {*tickets.find("saltmarsh-17")};
        s.from = at_day(30.0);
        s.until = at_day(60.0);
        s.now = at_day(90.0);
        CHECK(month_report(s).tickets.empty());
    }
}
