// What a hub answers, out of a real PostgreSQL.
#include <algorithm>
#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>

#include "document/round.h"
#include "document/write.h"
#include "hub/filled.h"
#include "hub/rounds.h"

using namespace probekeeper;
using namespace probekeeper::tests;
using diagnosis::Condition;
using service::Work;

namespace {

Timestamp const now = at_hour(24.0 * 20.0);

template <typename T, typename Ask, typename IdOf>
std::vector<std::string> all_pages(Ask const& ask, std::size_t limit, IdOf const& id_of) {
    std::vector<std::string> ids;
    api::PageRequest request{limit, std::nullopt};
    do {
        api::Page<T> page = ask(request).value();
        CHECK(page.items.size() <= limit);
        for (auto const& item : page.items) {
            ids.push_back(id_of(item));
        }
        request.after = page.next;
    } while (request.after);
    return ids;
}

using Ids = std::vector<std::string>;

}  // namespace

#define REQUIRE_CLUSTER()                    \
    auto* const cluster = Cluster::shared(); \
    if (cluster == nullptr) {                \
        WARN("skipped: no PostgreSQL");      \
        return;                              \
    }

TEST_CASE("sites and probes of all daemons are listed, page by page", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_lists");
    HubEstate estate{*cluster, where};
    for (auto const* site : {"mill", "pond", "quay"}) {
        estate.add_site(site);
    }
    estate.add_probe("mill", "mill-1");
    estate.add_probe("mill", "mill-2", {}, Condition::failure);
    estate.add_probe("pond", "pond-1");
    estate.add_probe("quay", "a-quay-1");
    RunningHub hub{where, now};
    auto& backend = *hub.backend;

    auto const site_id = [](document::Site const& site) { return site.facts.id; };
    auto const probe_id = [](document::Probe const& probe) { return probe.id; };
    for (auto const limit : {1U, 2U, 100U}) {
        CHECK(all_pages<document::Site>([&](auto const& p) { return backend.sites({}, p); }, limit,
                                        site_id) == Ids{"mill", "pond", "quay"});
        CHECK(all_pages<document::Site>(
                  [&](auto const& p) {
                      return backend.sites({"quay", "pond"}, p);
                  },
                  limit, site_id) == Ids{"pond", "quay"});
        CHECK(all_pages<document::Probe>([&](auto const& p) { return backend.probes({}, p); }, limit,
                                         probe_id) == Ids{"a-quay-1", "mill-1", "mill-2", "pond-1"});
        CHECK(all_pages<document::Probe>(
                  [&](auto const& p) {
                      return backend.probes({{"mill", "pond"}, {}, Condition::good}, p);
                  },
                  limit, probe_id) == Ids{"mill-1", "pond-1"});
    }
    auto const mill = backend.site("mill").value();
    CHECK(mill.facts.name == "The mill");
    CHECK(mill.probes[static_cast<std::size_t>(Condition::good)] == 1);
    CHECK(mill.probes[static_cast<std::size_t>(Condition::failure)] == 1);
    CHECK(backend.probe("mill-2")->condition == Condition::failure);
    CHECK(backend.probe("mill-2")->last_reading->do_mg_l == 8.0);
    CHECK(backend.site("nowhere").error().kind == api::Refusal::Kind::not_found);
    CHECK(backend.probe("nothing").error().kind == api::Refusal::Kind::not_found);
    CHECK(backend.probes({{}, "nowhere", {}}, {}).error().field == "site");
    CHECK(backend.sites({}, {10, "a,b"}).error().field == "after");
    CHECK(backend.probes({}, {10, "a"}).error().field == "after");

    estate.db.run("UPDATE probekeeper.probes SET removed_at = now() WHERE probe_id = 'mill-1'");
    CHECK_FALSE(backend.probe("mill-1").has_value());
    CHECK(backend.diagnosis("mill-1").has_value());  // its history stays readable
    estate.add_probe("pond", "mill-2");
    CHECK(backend.probe("mill-2").error().message.find("mill and pond both have") != std::string::npos);
}

TEST_CASE("tickets of all sites are listed by their opening, and by what is asked for", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_tickets");
    HubEstate estate{*cluster, where};
    for (auto const* site : {"mill", "pond"}) {
        estate.add_site(site);
        estate.add_probe(site, std::string{site} + "-1");
        estate.add_probe(site, std::string{site} + "-2");
    }
    estate.add(ticket_of("mill", 1, "mill-1", at_hour(5.0)));
    estate.add(ticket_of("pond", 1, "pond-1", at_hour(5.0), diagnosis::Reason::stuck));
    estate.add(ticket_of("mill", 2, "mill-2", at_hour(3.0)));
    auto closed = ticket_of("pond", 2, "pond-2", at_hour(1.0));
    closed.state = service::State::closed;
    estate.add(closed);
    RunningHub hub{where, now};
    auto const ids = [&](api::TicketFilter const& filter, std::size_t limit) {
        return all_pages<service::Ticket>([&](auto const& p) { return hub.backend->tickets(filter, p); },
                                          limit, [](service::Ticket const& t) { return t.id; });
    };
    for (auto const limit : {1U, 3U, 100U}) {
        api::TicketFilter filter;
        CHECK(ids(filter, limit) == Ids{"pond-2", "mill-2", "mill-1", "pond-1"});
        filter.site = "mill";
        CHECK(ids(filter, limit) == Ids{"mill-2", "mill-1"});
        filter.state = service::State::closed;
        CHECK(ids(filter, limit) == Ids{});
        filter = {};
        filter.state = service::State::open;
        CHECK(ids(filter, limit) == Ids{"mill-2", "mill-1", "pond-1"});
        filter = {};
        filter.reason = diagnosis::Reason::stuck;
        CHECK(ids(filter, limit) == Ids{"pond-1"});
        filter = {};
        filter.probe = "pond-2";
        CHECK(ids(filter, limit) == Ids{"pond-2"});
    }
    CHECK(hub.backend->ticket("pond-2")->state == service::State::closed);
    CHECK(hub.backend->ticket("pond-3").error().kind == api::Refusal::Kind::not_found);
    CHECK(hub.backend->ticket("nonsense").error().kind == api::Refusal::Kind::not_found);
    CHECK(hub.backend->tickets({}, {10, "x,mill,1"}).error().field == "after");
}

TEST_CASE("a probe's tests, diagnoses and records are read as its site told them", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_history");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_probe("mill", "mill-1");
    for (int i = 0; i < 5; ++i) {
        diagnosis::ResponseTest test;
        test.time = at_hour(i);
        test.t90_20_s = 40.0 + i;
        estate.add("mill", "mill-1", test);
        estate.add_diagnosis("mill", "mill-1", at_hour(24.0 * i), Condition::good);
        estate.add("mill", record_of(i + 1, "mill-1", at_hour(10.0 - i), Work::inspection));
    }
    RunningHub hub{where, now};
    auto const tests = all_pages<diagnosis::ResponseTest>(
        [&](auto const& p) { return hub.backend->response_tests("mill-1", at_hour(1.0), p); }, 2,
        [](diagnosis::ResponseTest const& test) { return to_rfc3339(test.time).substr(11, 5); });
    CHECK(tests == Ids{"01:00", "02:00", "03:00", "04:00"});
    auto const days = all_pages<std::string>(
        [&](auto const& p) {
            return hub.backend->diagnoses("mill-1", {at_hour(0.0), at_hour(96.0)}, p);
        },
        2,
        [](std::string const& text) {
            return std::string{boost::json::parse(text).at("at").as_string()}.substr(8, 2);
        });
    CHECK(days == Ids{"02", "03", "04", "05"});
    auto const numbers = all_pages<service::KeptRecord>(
        [&](auto const& p) { return hub.backend->service_records("mill-1", p); }, 2,
        [](service::KeptRecord const& kept) { return std::to_string(kept.number); });
    CHECK(numbers == Ids{"5", "4", "3", "2", "1"});
}

TEST_CASE("steps of whole minutes come from the hours that sites tell, finer ones stay with the site",
          "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_minutes");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_probe("mill", "mill-1");
    auto const hour =
        "INSERT INTO probekeeper.summaries (site_id, probe_id, hour, minutes, counts, marks, do_mg_l_count, "
        "do_mg_l_min, do_mg_l_sum, do_mg_l_max) VALUES ('mill', 'mill-1', $1, '{0,1,59}', '{12,12,6}', "
        "'{0,0,0}', "
        "'{12,0,6}', '{7.5,NULL,8}', '{96,NULL,54}', '{9,NULL,10}')";
    estate.db.run(hour, {at_hour(1.0)});
    estate.db.run(hour, {at_hour(2.0)});
    RunningHub hub{where, now};
    auto const minutes =
        hub.backend->steps("mill-1", {at_hour(0.0), at_hour(3.0)}, seconds(60.0), {100, {}}).value();
    REQUIRE(minutes.items.size() == 6);
    CHECK(minutes.items[0].start == at_hour(1.0));
    CHECK(minutes.items[0].do_mg_l.mean == 8.0);
    CHECK(minutes.items[1].count == 12);
    CHECK_FALSE(is_read(minutes.items[1].do_mg_l.mean));
    CHECK(minutes.items[2].start == at_hour(1.0) + std::chrono::minutes{59});

    auto const hours =
        hub.backend->steps("mill-1", {at_hour(1.5), at_hour(3.0)}, seconds(7200.0), {100, {}}).value();
    REQUIRE(hours.items.size() == 2);  // the range is widened to whole steps
    CHECK(hours.items[0].start == at_hour(0.0));
    CHECK(hours.items[0].count == 30);
    CHECK(hours.items[0].do_mg_l.min == 7.5);
    CHECK(hours.items[0].do_mg_l.max == 10.0);
    CHECK(hours.items[0].do_mg_l.mean == Approx(150.0 / 18.0));
    CHECK_FALSE(is_read(hours.items[0].temperature_c.max));

    auto const starts = [&](std::size_t limit) {
        return all_pages<document::Step>(
            [&](auto const& p) {
                return hub.backend->steps("mill-1", {at_hour(0.0), at_hour(3.0)}, seconds(60.0), p);
            },
            limit, [](document::Step const& step) { return to_rfc3339(step.start); });
    };
    CHECK(starts(1) == starts(100));
    CHECK(starts(4).size() == 6);
    CHECK(hub.backend->steps("mill-1", {}, seconds(30.0), {}).error().field == "step_s");
    CHECK(hub.backend->readings("mill-1", {}, {}).error().field == "step_s");
    CHECK(hub.backend->readings("nothing", {}, {}).error().kind == api::Refusal::Kind::not_found);
}

TEST_CASE("an instrument that moved between sites is followed there, with its membrane", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_instruments");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_site("pond");
    estate.add_probe("mill", "mill-1", "serial = \"GX-1\"\nmembrane = \"cap\"");
    estate.add_probe("pond", "pond-1", "serial = \"GX-2\"\nmembrane = \"cap\"");
    estate.add("mill", record_of(1, "mill-1", at_hour(1.0), Work::membrane_change, "GX-1"));
    estate.add("mill", record_of(2, "mill-1", at_hour(100.0), Work::probe_swap, "GX-3"));
    estate.add("pond", record_of(1, "pond-1", at_hour(150.0), Work::probe_swap, "GX-1"));
    RunningHub hub{where, now};
    auto const moved = hub.backend->instrument("GX-1", {}).value();
    REQUIRE(moved.stays.size() == 3);
    CHECK(moved.stays[0].site == "mill");
    CHECK(moved.stays[0].until == at_hour(100.0));
    CHECK(moved.stays[1].probe.empty());  // the workshop
    CHECK(moved.stays[2].site == "pond");
    REQUIRE(moved.membranes.size() == 1);
    CHECK(moved.membranes[0].installed == at_hour(1.0));
    CHECK_FALSE(moved.membranes[0].ended);
    CHECK(hub.backend->membranes("pond-1", {})->items.size() == 1);

    // What changes is followed, whoever else has changed something meanwhile.
    estate.add("pond", record_of(2, "pond-1", at_hour(200.0), Work::membrane_change, "GX-1"));
    CHECK(hub.backend->instrument("GX-1", {})->membranes.size() == 2);
    auto const only_pond = hub.backend->instrument("GX-1", {"pond"}).value();
    CHECK(only_pond.stays.front().site != "mill");
    CHECK_FALSE(hub.backend->instrument("GX-3", {"pond"}).has_value());
}

TEST_CASE("findings and months are drawn from what sites told", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_lessons");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_site("pond");
    estate.add_probe("mill", "mill-1");
    estate.add_probe("pond", "pond-1");
    for (auto const* site : {"mill", "pond"}) {
        auto ticket = ticket_of(site, 1, std::string{site} + "-1", at_hour(5.0));
        ticket.state = service::State::closed;
        ticket.found = service::Found::as_diagnosed;
        ticket.history.push_back({at_hour(9.0), service::State::closed, "ada", ""});
        estate.add(ticket);
    }
    for (int day = 0; day < 20; ++day) {
        estate.add_diagnosis("mill", "mill-1", at_hour(24.0 * day), Condition::good);
    }
    RunningHub hub{where, now};
    auto const everywhere = hub.backend->findings({}, {}).value();
    CHECK(everywhere.items.front().as_diagnosed == 2);
    auto const at_mill = hub.backend->findings("mill", {}).value();
    REQUIRE(at_mill.items.size() == 1);
    CHECK(at_mill.items.front().as_diagnosed == 1);
    CHECK(hub.backend->findings("nowhere", {}).error().field == "site");

    auto const month =
        hub.backend->site_month("mill", std::chrono::year{2026} / std::chrono::November).value();
    CHECK_FALSE(month.report.complete);
    REQUIRE(month.report.probes.size() == 1);
    CHECK(month.report.probes.front().time.good > 0.9);
    CHECK(month.report.tickets.size() == 1);
    CHECK(hub.backend->site_month("nowhere", {}).error().kind == api::Refusal::Kind::not_found);
    CHECK(hub.backend->parts_demand({}, 8)->total.size() > 0);
}

TEST_CASE("a round goes over all sites, and of two hubs that publish it one is refused", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_rounds");
    HubEstate estate{*cluster, where};
    for (auto const* site : {"mill", "pond"}) {
        estate.add_site(site);
        estate.add_probe(site, std::string{site} + "-1");
        estate.add(ticket_of(site, 1, std::string{site} + "-1", at_hour(24.0 * 18.0)));
    }
    auto const week = zone::week_of(std::chrono::floor<std::chrono::days>(now + days(7.0)));
    RunningHub first{where, now, contractor()}, second{where, now, contractor()};
    auto const planned = first.backend->round(week).value();
    std::vector<std::string> stops;
    for (auto const& day : planned.round.technicians.at(0).days) {
        for (auto const& stop : day.stops) {
            stops.push_back(stop.site);
        }
    }
    std::sort(stops.begin(), stops.end());
    CHECK(stops == Ids{"mill", "pond"});

    auto const published = first.backend->publish_round(week, "ada", {}).value();
    CHECK(published.round.revision == 1);
    CHECK(second.backend->round(week)->round.revision == 1);

    // As if the second had planned before the first published.
    hub::DatabaseRounds late{second.pool, second.estate, second.past, [] { return now; }, second.log};
    auto again = published.round;
    CHECK_FALSE(late.keep({{zone::to_text(week), store::KeptRound::What::published, now, "bob",
                            document::write(document::to_json(again))}},
                          {}, now)
                    .empty());
    again.revision = 2;
    CHECK(late.keep({{zone::to_text(week), store::KeptRound::What::published, now, "bob",
                      document::write(document::to_json(again))}},
                    {}, now)
              .empty());
}

TEST_CASE("a site whose configuration changes is in the fleet as it is now", "[hub]") {
    REQUIRE_CLUSTER()
    auto const where = cluster->fresh_database("hub_estate");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_probe("mill", "mill-1", "neighbours = []");
    RunningHub hub{where, now, contractor()};
    auto connection = cluster->connect(where);
    auto const before = hub.estate.now(connection);
    CHECK(before->fleet->technicians.size() == 1);
    CHECK(before->fleet->probes.size() == 1);
    CHECK(hub.estate.now(connection) == before);
    estate.add_probe("mill", "a-new-one", "neighbours = [\"mill-1\"]");
    auto const after = hub.estate.now(connection);
    CHECK(after->version != before->version);
    REQUIRE(after->fleet->probes.size() == 2);
    CHECK(after->fleet->probes[0].neighbours == std::vector<fleet::ProbeIndex>{1});
    estate.db.run("UPDATE probekeeper.sites SET configuration = 'nonsense' WHERE site_id = 'mill'");
    CHECK(hub.estate.now(connection)->fleet->sites.empty());
}
