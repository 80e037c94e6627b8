// The order in which hubs tell events.
#include <catch2/catch.hpp>
#include <thread>

#include "hub/bell.h"
#include "hub/filled.h"
#include "hub/schema.h"

using namespace probekeeper;
using namespace probekeeper::tests;

namespace {

void tell(postgres::Connection& db, std::string const& site, std::int64_t number) {
    db.run(
        "INSERT INTO probekeeper.events (site_id, at, kind, data, site_event) VALUES ($1, now(), 'ticket', "
        "$2, $3)",
        {site, std::to_string(number), number});
}

std::vector<std::string> data_of(std::vector<api::Event> const& events) {
    std::vector<std::string> data;
    for (auto const& event : events) {
        data.push_back(event.site + event.data);
    }
    return data;
}

using Data = std::vector<std::string>;

}  // namespace

TEST_CASE("an event that is told late is never passed over", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_events");
    HubEstate estate{*cluster, where};
    auto slow = cluster->connect(where), quick = cluster->connect(where);
    auto const start = hub::last_event_now(estate.db);
    CHECK(hub::events_after(estate.db, start, 10).empty());
    {
        postgres::Transaction open{slow};
        tell(slow, "mill", 1);
        tell(quick, "pond", 1);
        tell(quick, "pond", 2);
        // What came after may still be joined by something before it.
        CHECK(hub::events_after(estate.db, start, 10).empty());
        tell(slow, "mill", 2);
        open.commit();
    }
    auto const all = hub::events_after(estate.db, start, 10);
    CHECK(data_of(all) == Data{"mill1", "mill2", "pond1", "pond2"});
    for (std::size_t i = 1; i < all.size(); ++i) {
        CHECK(all[i - 1].id < all[i].id);
    }
    // From anywhere within, in pages of any size, each comes once.
    for (std::size_t from = 0; from < all.size(); ++from) {
        Data rest;
        auto after = all[from].id;
        for (auto page = hub::events_after(estate.db, after, 1); !page.empty();
             page = hub::events_after(estate.db, after, 1)) {
            rest.push_back(data_of(page).front());
            after = page.front().id;
        }
        CHECK(rest.size() == all.size() - from - 1);
    }
}

TEST_CASE("hubs follow events as they come, with the same numbers at each", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_follow");
    HubEstate estate{*cluster, where};
    auto const start = hub::last_event_now(estate.db);
    struct OneHub {
        api::EventHub events;
        hub::OutcomeBell bell;
        hub::Bell stop;
        std::shared_ptr<spdlog::logger> log =
            std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::null_sink_mt>());
        std::unique_ptr<hub::Follower> follower;
        OneHub(std::string const& conninfo, std::int64_t last) : events{last} {
            postgres::Options options;
            options.conninfo = conninfo;
            options.interrupt = stop.descriptor();
            follower = std::make_unique<hub::Follower>(options, events, bell, log);
        }
        ~OneHub() { stop.ring(); }
        std::vector<api::Event> wait_for(std::size_t count, std::int64_t last) {
            auto const end = std::chrono::steady_clock::now() + std::chrono::seconds{60};
            while (std::chrono::steady_clock::now() < end) {
                auto found = events.after(last, 100);
                if (found && found->size() >= count) {
                    return *found;
                }
                std::this_thread::sleep_for(std::chrono::milliseconds{5});
            }
            return {};
        }
    };
    OneHub first{where, start}, second{where, start};
    tell(estate.db, "mill", 1);
    estate.db.run("SELECT pg_notify($1, '')", {hub::events_channel});
    CHECK(data_of(first.wait_for(1, start)) == Data{"mill1"});
    // Cut off, it goes on where it was.
    estate.db.run(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid "
        "<> "
        "pg_backend_pid()");
    tell(estate.db, "pond", 1);
    tell(estate.db, "mill", 2);
    auto const at_first = first.wait_for(3, start), at_second = second.wait_for(3, start);
    CHECK(data_of(at_first) == Data{"mill1", "pond1", "mill2"});
    CHECK(data_of(at_second) == data_of(at_first));
    for (std::size_t i = 0; i < at_first.size() && i < at_second.size(); ++i) {
        CHECK(at_first[i].id == at_second[i].id);
    }
}
