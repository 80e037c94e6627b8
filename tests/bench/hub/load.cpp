// Writes to a hub's database as so many daemons would: each a site, in the feed's own transactions, in turns
// over a few connections (as a pooler would lend them).
//
//   bench_hub_load CONNINFO fill  SITES HOURS TICKETS     everything that there is of the sites; a line of
//   JSON bench_hub_load CONNINFO live  SITES SECONDS           as fast as it goes: probes, summaries,
//   tickets; beside it, in
//                                                         turns, the same bytes into a bare table: the
//                                                         baseline
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <atomic>
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <mutex>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include "document/probe.h"
#include "document/record.h"
#include "document/site.h"
#include "document/ticket.h"
#include "document/write.h"
#include "fleet/write.h"
#include "hub/batch.h"

using namespace probekeeper;
namespace json = boost::json;
using Clock = std::chrono::steady_clock;

namespace {

constexpr int probes_of_site = 10;
constexpr unsigned connections = 8;
Timestamp const end_of_history = parse_rfc3339("2026-11-26T00:00:00Z").value();

std::string site_id(int site) {
    return fmt::format("site-{:05}", site);
}
std::string probe_id(int site, int probe) {
    return fmt::format("site-{:05}-tank-{}", site, probe);
}

fleet::Fleet fleet_of(int site) {
    fleet::Fleet fleet;
    fleet::Site facts;
    facts.id = site_id(site);
    facts.name = fmt::format("Farm {}", site);
    // Around the contractor's depots, a few hundred kilometres across.
    facts.latitude = 53.0 + 0.01 * (site % 250);
    facts.longitude = 7.0 + 0.02 * ((site * 37) % 250);
    facts.time_zone = "Europe/Berlin";
    facts.access.windows.fill({fleet::HourSpan{}});
    fleet.sites.push_back(facts);
    for (int probe = 0; probe < probes_of_site; ++probe) {
        fleet::Probe one;
        one.id = probe_id(site, probe);
        one.serial = fmt::format("GX-{:05}-{}", site, probe);
        one.membrane = "cap-25um";
        one.use = fleet::Use::alarm;
        fleet.probes.push_back(one);
    }
    return fleet;
}

service::Ticket ticket_of(int site, std::int64_t number, Timestamp opened, service::State state) {
    service::Ticket t;
    t.site = site_id(site);
    t.number = number;
    t.id = fmt::format("{}-{}", t.site, number);
    t.probe = probe_id(site, static_cast<int>(number % probes_of_site));
    t.state = state;
    t.urgency = number % 3 == 0 ? service::Urgency::now : service::Urgency::this_week;
    t.opened_at = opened;
    t.updated_at = opened + Millis{3'600'000};
    t.due = opened + days(7);
    service::TicketReason slow;
    slow.finding.reason = diagnosis::Reason::slow_response;
    slow.finding.raised_at = opened;
    slow.finding.value = 92.1;
    slow.finding.limit = 82.0;
    slow.finding.unit = "s";
    slow.finding.probability = 0.99;
    slow.finding.text = "T90 is 92 s, 2.2 times its 41 s when freshly serviced";
    t.reasons = {slow};
    t.work = {"wipe_membrane", "lift_test", "change_membrane_and_o_ring", "air_calibration"};
    t.meanwhile = "Readings settle right but late: control no faster than every 8 minutes on them.";
    t.parts = {{"membrane", "cap-25um", 1}, {"o_ring", "", 1}, {"electrolyte_ml", "", 5}};
    t.cautions = {"Electrolyte is caustic: gloves and eye protection."};
    t.history = {{opened, service::State::open, "probekeeperd", "opened"}};
    if (state != service::State::open) {
        t.history.push_back({opened + days(2), state, "t1", "done"});
    }
    return t;
}

json::object ticket_row(service::Ticket const& t) {
    return {{"site_id", t.site}, {"number", t.number}, {"document", document::to_json(t)}};
}

json::object probe_row(int site, int probe, Timestamp at, std::mt19937& random) {
    document::Probe p;
    p.id = probe_id(site, probe);
    p.site = site_id(site);
    p.line = "line-1";
    p.unit = probe + 1;
    p.location = "Grow-out tank, inlet side";
    p.use = fleet::Use::alarm;
    p.serial = fmt::format("GX-{:05}-{}", site, probe);
    p.condition = diagnosis::Condition::good;
    Reading r;
    r.time = at;
    r.do_mg_l = 6.0 + std::uniform_real_distribution<>{0.0, 3.0}(random);
    r.do_percent = r.do_mg_l * 11.0;
    r.temperature_c = 14.0;
    p.last_reading = r;
    // As long as a diagnosis is.
    json::object diagnosis{
        {"probe", p.id}, {"at", to_rfc3339(at)}, {"condition", "good"}, {"forecast", nullptr}};
    for (auto const* part : {"t90", "background", "fluctuation", "span", "suitability"}) {
        diagnosis[part] =
            json::object{{"value", r.do_mg_l},   {"low", r.do_mg_l - 0.1},  {"high", r.do_mg_l + 0.1},
                         {"fresh", 41.0},        {"ratio", 2.25},           {"tests", 14},
                         {"at", to_rfc3339(at)}, {"source", "air_exposure"}};
    }
    return {{"site_id", p.site},
            {"probe_id", p.id},
            {"document", document::to_json(p)},
            {"diagnosis", document::write(diagnosis)},
            {"diagnosis_at", to_rfc3339(at)}};
}

json::object hour_row(int site, int probe, Timestamp hour, std::mt19937& random) {
    json::array minutes, counts, marks;
    for (int i = 0; i < 60; ++i) {
        minutes.emplace_back(i);
        counts.emplace_back(12);
        marks.emplace_back(0);
    }
    json::object row{{"site_id", site_id(site)}, {"probe_id", probe_id(site, probe)},
                     {"hour", to_rfc3339(hour)}, {"minutes", minutes},
                     {"counts", counts},         {"marks", marks}};
    std::normal_distribution<> noise{0.0, 0.02};
    for (auto const& [name, level] :
         {std::pair{"do_mg_l", 7.4}, std::pair{"do_percent", 81.0}, std::pair{"temperature_c", 14.2}}) {
        json::array least, sums, greatest;
        for (int i = 0; i < 60; ++i) {
            auto const mean = std::round((level + noise(random)) * 100.0) / 100.0;
            least.emplace_back(mean - 0.03);
            sums.emplace_back(std::round(mean * 1200.0) / 100.0);
            greatest.emplace_back(mean + 0.03);
        }
        row[std::string{name} + "_count"] = counts;
        row[std::string{name} + "_min"] = least;
        row[std::string{name} + "_sum"] = sums;
        row[std::string{name} + "_max"] = greatest;
    }
    return row;
}

struct Totals {
    std::mutex mutex;
    std::uint64_t rows = 0, batches = 0, bytes = 0;
    std::vector<double> took_ms;
};

// As Feed::send.
void send(postgres::Connection& connection, hub::Batch const& batch, int site, std::int64_t& seq,
          Totals& totals) {
    auto const began = Clock::now();
    {
        postgres::Transaction transaction{connection};
        std::vector<std::string> const ours{site_id(site)};
        auto const owned = connection.run(
            "SELECT site_id FROM probekeeper.sites WHERE daemon = $1 AND site_id = ANY ($2) FOR SHARE",
            {ours[0], ours});
        if (owned.size() != 1) {
            throw std::runtime_error{"the site is not ours"};
        }
        batch.write(connection);
        auto const moved = connection.run(
            "UPDATE probekeeper.feeds SET seq = $2, summary_seq = $3, heard_at = now() WHERE daemon = $1 AND "
            "seq = $4 AND "
            "summary_seq = $5",
            {ours[0], seq + 1, 0, seq, 0});
        if (moved.affected() != 1) {
            throw std::runtime_error{"another one told this site"};
        }
        transaction.commit();
        ++seq;
    }
    std::lock_guard const lock{totals.mutex};
    totals.rows += batch.rows();
    totals.bytes += batch.bytes();
    ++totals.batches;
    totals.took_ms.push_back(std::chrono::duration<double, std::milli>{Clock::now() - began}.count());
}

void fill_site(postgres::Connection& connection, int site, int hours, int tickets, Totals& totals) {
    std::mt19937 random{static_cast<unsigned>(site)};
    auto const id = site_id(site);
    connection.run(
        "INSERT INTO probekeeper.feeds (daemon, seq, summary_seq, heard_at, version) VALUES ($1, 0, 0, "
        "now(), 'bench')",
        {id});
    connection.run("INSERT INTO probekeeper.sites (site_id, daemon, heard_at) VALUES ($1, $1, now())", {id});
    std::int64_t seq = 0;
    auto batch = std::make_unique<hub::Batch>();
    auto const flush = [&](std::size_t beyond) {
        if (batch->bytes() > beyond) {
            send(connection, *batch, site, seq, totals);
            batch = std::make_unique<hub::Batch>();
        }
    };
    auto const fleet = fleet_of(site);
    document::Site facts;
    facts.facts = fleet.sites[0];
    batch->add(hub::Kind::site, {{"site_id", id},
                                 {"document", document::to_json(facts)},
                                 {"configuration", fleet::site_as_toml(fleet, 0)}});
    for (int probe = 0; probe < probes_of_site; ++probe) {
        batch->add(hub::Kind::probe, probe_row(site, probe, end_of_history, random));
    }
    for (int number = 1; number <= tickets; ++number) {
        auto const opened = end_of_history - days(6.0 * (tickets - number)) - Millis{site * 1000};
        bool const open = number == tickets && site % 3 == 0;
        batch->add(hub::Kind::ticket,
                   ticket_row(ticket_of(site, number, opened,
                                        open ? service::State::open : service::State::verified)));
        service::KeptRecord kept;
        kept.number = number;
        kept.record.time = opened + days(2);
        kept.record.probe = probe_id(site, number % probes_of_site);
        kept.record.kind = service::Work::membrane_change;
        kept.record.by = "t1";
        batch->add(hub::Kind::record,
                   {{"site_id", id}, {"number", number}, {"document", document::to_json(kept)}});
        flush(256 * 1024);
    }
    for (int hour = 0; hour < hours; ++hour) {
        for (int probe = 0; probe < probes_of_site; ++probe) {
            batch->add(hub::Kind::summary,
                       hour_row(site, probe, end_of_history - (hours - hour) * Millis{3'600'000}, random));
        }
        flush(256 * 1024);
    }
    flush(0);
}

void over_sites(std::string const& conninfo, int sites,
                std::function<void(postgres::Connection&, int)> const& work) {
    std::atomic<int> next{0};
    std::vector<std::thread> threads;
    for (unsigned i = 0; i < connections; ++i) {
        threads.emplace_back([&] {
            postgres::Options options;
            options.conninfo = conninfo;
            auto connection = postgres::Connection::open(options);
            for (int site = next++; site < sites; site = next++) {
                work(connection, site);
            }
        });
    }
    for (auto& thread : threads) {
        thread.join();
    }
}

double percentile(std::vector<double>& values, double part) {
    if (values.empty()) {
        return 0.0;
    }
    auto const place = static_cast<std::size_t>(part * static_cast<double>(values.size() - 1));
    std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(place), values.end());
    return values[place];
}

void fill(std::string const& conninfo, int sites, int hours, int tickets) {
    Totals totals;
    auto const began = Clock::now();
    over_sites(conninfo, sites, [&](postgres::Connection& connection, int site) {
        fill_site(connection, site, hours, tickets, totals);
    });
    auto const took = std::chrono::duration<double>{Clock::now() - began}.count();
    fmt::print(
        "{{\"figure\": \"hub fill\", \"sites\": {}, \"rows\": {}, \"rows_per_s\": {:.0f}, \"mb_per_s\": "
        "{:.2f}, "
        "\"seconds\": {:.1f}}}\n",
        sites, totals.rows, static_cast<double>(totals.rows) / took,
        static_cast<double>(totals.bytes) / took / 1e6, took);
}

// Five minutes of a site are one batch: how its ten probes are; every twelfth with an hour of each; now and
// then a ticket.
std::unique_ptr<hub::Batch> five_minutes(int site, int turn, std::mt19937& random) {
    auto batch = std::make_unique<hub::Batch>();
    auto const at = end_of_history + turn * Millis{300'000};
    for (int probe = 0; probe < probes_of_site; ++probe) {
        batch->add(hub::Kind::probe, probe_row(site, probe, at, random));
    }
    if ((turn + site) % 12 == 0) {
        for (int probe = 0; probe < probes_of_site; ++probe) {
            batch->add(hub::Kind::summary,
                       hour_row(site, probe, std::chrono::floor<std::chrono::hours>(at), random));
        }
    }
    if ((turn + site) % 300 == 0) {
        batch->add(hub::Kind::ticket, ticket_row(ticket_of(site, 1'000 + turn, at, service::State::open)));
        batch->add(hub::Kind::event, {{"site_id", site_id(site)},
                                      {"at", to_rfc3339(at)},
                                      {"kind", "ticket"},
                                      {"data", "{}"},
                                      {"site_event", turn}});
    }
    return batch;
}

void live(std::string const& conninfo, int sites, double seconds) {
    Totals told, bare;
    std::vector<std::int64_t> seqs(static_cast<std::size_t>(sites));
    {
        postgres::Options options;
        options.conninfo = conninfo;
        auto connection = postgres::Connection::open(options);
        auto const rows = connection.run("SELECT daemon, seq FROM probekeeper.feeds ORDER BY daemon");
        for (std::size_t i = 0; i < std::min(rows.size(), seqs.size()); ++i) {
            seqs[i] = rows.integer(i, 1);
        }
        connection.script("DROP TABLE IF EXISTS bare; CREATE TABLE bare (site_id text, document jsonb)");
    }
    constexpr int parts = 6;  // the two take turns
    double told_s = 0.0, bare_s = 0.0;
    for (int part = 0; part < parts; ++part) {
        bool const baseline = part % 2 == 1;
        auto& totals = baseline ? bare : told;
        auto const began = Clock::now();
        auto const until = began + std::chrono::duration_cast<Clock::duration>(
                                       std::chrono::duration<double>{seconds / parts});
        std::vector<std::thread> threads;
        for (unsigned t = 0; t < connections; ++t) {
            threads.emplace_back([&, t] {
                postgres::Options options;
                options.conninfo = conninfo;
                auto connection = postgres::Connection::open(options);
                std::mt19937 random{t};
                for (int turn = 1000 * part;; ++turn) {
                    for (int site = static_cast<int>(t); site < sites;
                         site += static_cast<int>(connections)) {
                        if (Clock::now() >= until) {
                            return;
                        }
                        auto const batch = five_minutes(site, turn, random);
                        if (!baseline) {
                            send(connection, *batch, site, seqs[static_cast<std::size_t>(site)], totals);
                            continue;
                        }
                        auto const sent = Clock::now();
                        {
                            postgres::Transaction transaction{connection};
                            for (auto const kind : {hub::Kind::probe, hub::Kind::summary, hub::Kind::ticket,
                                                    hub::Kind::event}) {
                                if (batch->has(kind)) {
                                    connection.run(
                                        "INSERT INTO bare SELECT e ->> 'site_id', e FROM "
                                        "jsonb_array_elements($1::jsonb) AS e",
                                        {batch->json(kind)});
                                }
                            }
                            transaction.commit();
                        }
                        std::lock_guard const lock{totals.mutex};
                        totals.rows += batch->rows();
                        totals.bytes += batch->bytes();
                        ++totals.batches;
                        totals.took_ms.push_back(
                            std::chrono::duration<double, std::milli>{Clock::now() - sent}.count());
                    }
                }
            });
        }
        for (auto& thread : threads) {
            thread.join();
        }
        (baseline ? bare_s : told_s) += std::chrono::duration<double>{Clock::now() - began}.count();
    }
    auto const rate = static_cast<double>(told.batches) / told_s;
    fmt::print(
        "{{\"figure\": \"hub live\", \"sites\": {}, \"rows_per_s\": {:.0f}, \"batches_per_s\": {:.0f}, "
        "\"mb_per_s\": {:.2f}, \"batch_p50_ms\": {:.1f}, \"batch_p99_ms\": {:.1f}, \"sites_carried\": "
        "{:.0f}, "
        "\"baseline_rows_per_s\": {:.0f}, \"ratio\": {:.2f}}}\n",
        sites, static_cast<double>(told.rows) / told_s, rate, static_cast<double>(told.bytes) / told_s / 1e6,
        percentile(told.took_ms, 0.5), percentile(told.took_ms, 0.99), rate * 300.0,
        static_cast<double>(bare.rows) / bare_s,
        (static_cast<double>(told.rows) / told_s) / (static_cast<double>(bare.rows) / bare_s));
}

}  // namespace

int main(int argc, char** argv) {
    std::vector<std::string> const words(argv + 1, argv + argc);
    try {
        if (words.size() == 5 && words[1] == "fill") {
            fill(words[0], std::atoi(words[2].c_str()), std::atoi(words[3].c_str()),
                 std::atoi(words[4].c_str()));
        } else if (words.size() == 4 && words[1] == "live") {
            live(words[0], std::atoi(words[2].c_str()), std::atof(words[3].c_str()));
        } else {
            fmt::print(stderr, "bench_hub_load: see the head of tests/bench/hub/load.cpp\n");
            return 2;
        }
        return 0;
    } catch (std::exception const& error) {
        fmt::print(stderr, "bench_hub_load: {}\n", error.what());
        return 1;
    }
}
