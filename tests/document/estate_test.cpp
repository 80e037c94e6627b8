// Tickets, probes, sites, readings and health as documents.
#include <boost/json/array.hpp>
#include <catch2/catch.hpp>

#include "document/health.h"
#include "document/probe.h"
#include "document/readings.h"
#include "document/site.h"
#include "document/ticket.h"
#include "document/write.h"

using namespace probekeeper;

namespace {

Timestamp const at = parse_rfc3339("2026-03-01T06:00:00Z").value();

Reading reading() {
    Reading r;
    r.time = at;
    r.do_mg_l = static_cast<double>(7.41F);
    r.do_percent = 96.2;
    r.set(mark_aeration, true);
    return r;
}

}  // namespace

TEST_CASE("a ticket is written as the interface shows it, in its order", "[document]") {
    service::Ticket t;
    t.id = "saltmarsh-17";
    t.number = 17;
    t.site = "saltmarsh";
    t.probe = "saltmarsh-tank-1";
    t.urgency = service::Urgency::this_week;
    t.opened_at = t.updated_at = at;
    t.due = at + days(7);
    diagnosis::Finding f;
    f.raised_at = at;
    f.value = 92.1;
    f.low = 84.0;
    f.high = 101.3;
    f.limit = 82.0;
    f.unit = "s";
    f.probability = 0.99;
    f.text = "T90 is 92 s";
    t.reasons = {{f, std::nullopt}, {f, at + days(1)}};
    t.work = {"wipe_membrane", "lift_test"};
    t.meanwhile = "Readings settle right but late.";
    t.parts = {{"membrane", "cap-25um", 1}, {"o_ring", "", 1}};
    t.cautions = {"Slippery."};
    t.history = {{at, service::State::open, "probekeeperd", ""}};
    std::string const reason =
        R"({"code":"slow_response","raised_at":"2026-03-01T06:00:00.000Z","since":null,"cleared_at":)";
    std::string const rest =
        R"(,"value":92.1,"low":84.0,"high":101.3,"limit":82.0,"unit":"s","probability":0.99,)"
        R"("text":"T90 is 92 s"})";
    CHECK(
        document::write(document::to_json(t)) ==
        R"({"id":"saltmarsh-17","number":17,"site":"saltmarsh","probe":"saltmarsh-tank-1","state":"open",)"
        R"("urgency":"this_week","opened_at":"2026-03-01T06:00:00.000Z","updated_at":"2026-03-01T06:00:00.000Z",)"
        R"("due":"2026-03-08T06:00:00.000Z","postponed_until":null,"planned_for":null,"assigned_to":null,"seen":null,"found":null,)"
        R"("reasons":[)" +
            reason + "null" + rest + "," + reason + R"("2026-03-02T06:00:00.000Z")" + rest +
            R"(],"work":["wipe_membrane","lift_test"],"meanwhile":"Readings settle right but late.",)"
            R"("parts":[{"part":"membrane","kind":"cap-25um","quantity":1},{"part":"o_ring","quantity":1}],)"
            R"("cautions":["Slippery."],"history":[{"at":"2026-03-01T06:00:00.000Z","state":"open",)"
            R"("by":"probekeeperd","note":null}],"proof":null})");
}

TEST_CASE("a probe shows what is configured, how it is, and its newest reading", "[document]") {
    document::Probe p;
    p.id = "tank-1";
    p.site = "saltmarsh";
    p.line = "saltmarsh-a";
    p.unit = 1;
    p.location = "Grow-out tank 1, inlet side";
    p.use = fleet::Use::alarm;
    p.serial = "GX-0417";
    p.condition = diagnosis::Condition::good;
    p.last_reading = reading();
    CHECK(document::write(document::to_json(p)) ==
          R"({"id":"tank-1","site":"saltmarsh","line":"saltmarsh-a","unit":1,)"
          R"("location":"Grow-out tank 1, inlet side","use":"alarm","serial":"GX-0417","condition":"good",)"
          R"("ne107":null,"service_state":"in_service","open_ticket":null,)"
          R"("last_reading":{"time":"2026-03-01T06:00:00.000Z","do_mg_l":7.41,"do_percent":96.2,)"
          R"("temperature_c":null,"flags":["aeration"]}})");
}

TEST_CASE("a probe that is fed by files has no line and no unit", "[document]") {
    fleet::Fleet fleet;
    fleet.sites.resize(1);
    fleet.sites[0].id = "works";
    fleet.lines.resize(1);
    fleet.lines[0].id = "works-a";
    fleet.probes.resize(2);
    fleet.probes[0].id = "basin-1";
    fleet.probes[1].id = "basin-2";
    fleet.probes[1].line = 0;
    fleet.probes[1].unit = 7;
    auto const by_file = document::to_json(document::probe_of(fleet, 0));
    CHECK(by_file.at("line").is_null());
    CHECK(by_file.at("unit").is_null());
    CHECK(by_file.at("site") == "works");
    auto const polled = document::to_json(document::probe_of(fleet, 1));
    CHECK(polled.at("line") == "works-a");
    CHECK(polled.at("unit") == 7);
}

TEST_CASE("flags have the words of the interface", "[document]") {
    CHECK(document::write(document::flags(0xFFFF)) ==
          R"(["cleaning","aeration","hold","fault","service","out_of_range"])");
    CHECK(document::flags(0).empty());
}

TEST_CASE("readings are columns of equal length", "[document]") {
    auto second = reading();
    second.time += Millis{5000};
    second.do_mg_l = not_read;
    second.set(mark_aeration, false);
    CHECK(document::write(document::to_json(std::vector{reading(), second}, "1,2")) ==
          R"({"time":["2026-03-01T06:00:00.000Z","2026-03-01T06:00:05.000Z"],"do_mg_l":[7.41,null],)"
          R"("do_percent":[96.2,96.2],"temperature_c":[null,null],"flags":[["aeration"],[]],"next":"1,2"})");
}

TEST_CASE("steps have their start, their count and the spread of each quantity", "[document]") {
    document::Step step;
    step.start = at;
    step.count = 12;
    step.do_mg_l = {7.0, 7.5, 8.0};
    auto const out = document::to_json(std::vector{step}, std::nullopt);
    CHECK(
        document::write(out) ==
        R"({"time":["2026-03-01T06:00:00.000Z"],"count":[12],"do_mg_l_min":[7.0],"do_mg_l_mean":[7.5],)"
        R"("do_mg_l_max":[8.0],"do_percent_min":[null],"do_percent_mean":[null],"do_percent_max":[null],)"
        R"("temperature_c_min":[null],"temperature_c_mean":[null],"temperature_c_max":[null],"next":null})");
}

TEST_CASE("a site counts its probes by condition, and keeps its access notes to itself", "[document]") {
    document::Site site;
    site.facts.id = "saltmarsh";
    site.facts.access_notes = "the key lies under the third pot";
    site.count(diagnosis::Condition::good);
    site.count(diagnosis::Condition::good);
    site.count(diagnosis::Condition::unknown);
    auto const out = document::to_json(site);
    CHECK(out.at("probes") == 3);
    CHECK(
        document::write(out.at("conditions")) ==
        R"({"good":2,"maintenance_required":0,"out_of_specification":0,"function_check":0,"failure":0,"unknown":1})");
    CHECK(document::write(out).find("third pot") == std::string::npos);
}

TEST_CASE("health says what the interface promises", "[document]") {
    document::Health h;
    h.status = document::Health::Status::degraded;
    h.version = "0.1.0";
    h.uptime_s = 12.5;
    h.lines_up = 2;
    h.lines_down = 1;
    h.queues = {{"readings", 3, 1000, 0}};
    h.warnings = {"line saltmarsh-a is down"};
    CHECK(
        document::write(document::to_json(h)) ==
        R"({"status":"degraded","version":"0.1.0","uptime_s":12.5,)"
        R"("store":{"status":"ok","problem":null,"bytes":0,"newest_reading":null},"lines":{"up":2,"down":1},)"
        R"("queues":{"readings":{"length":3,"limit":1000,"dropped":0}},"hub":null,"clock_ahead_s":0.0,)"
        R"("warnings":["line saltmarsh-a is down"]})");
}
