// A whole site daemon within the test, fed by CSV, with a hub in a database of the tests' own cluster.
#pragma once

#include <spdlog/sinks/ringbuffer_sink.h>
#include <spdlog/spdlog.h>
#include <stdlib.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <memory>
#include <thread>

#include "fleet/load.h"
#include "hub/cluster.h"
#include "hub/feed.h"
#include "hub/schema.h"
#include "live/live.h"
#include "store/support.h"

namespace probekeeper::tests {

inline void until(std::string const& what, std::function<bool()> const& holds) {
    auto const deadline = std::chrono::steady_clock::now() + std::chrono::seconds{60};
    while (std::chrono::steady_clock::now() < deadline) {
        if (holds()) {
            return;
        }
        std::this_thread::sleep_for(std::chrono::milliseconds{10});
    }
    FAIL("not within 60 s: " << what);
}

inline constexpr char const* two_sites = R"toml(
[[site]]
id = "a"
kind = "aquaculture"
access_notes = "key at the gate"
[[site]]
id = "b"
kind = "wastewater"
[[probe]]
id = "a-1"
site = "a"
serial = "GX-1"
[[probe]]
id = "a-2"
site = "a"
[[probe]]
id = "b-1"
site = "b"
)toml";

class Site {
public:
    explicit Site(std::string conninfo, std::string sites = two_sites)
        : conninfo_{std::move(conninfo)}, sites_{std::move(sites)} {}
    ~Site() { stop(); }
    Site(Site&&) = delete;

    // Before it starts: what its store holds already.
    void prepare(std::function<void(store::Store&, std::vector<store::ProbeKey> const&)> const& work) {
        auto store = store::Store::open(file()).value();
        auto const keys = store.enrol(store::test::fleet, store::test::day_one).value();
        work(store, keys);
    }
    [[nodiscard]] fleet::Fleet configuration() {
        std::ofstream{folder_ / "c.toml"} << "[store]\npath = \"s.db\"\n[hub]\npostgresql = \"" << conninfo_
                                          << "\"\nkilobits_per_s = " << kilobits << "\n"
                                          << sites_;
        auto loaded = fleet::load(folder_ / "c.toml");
        REQUIRE(loaded.fleet);
        loaded.fleet->http.port = 0;
        return std::move(*loaded.fleet);
    }
    void start() {
        auto log = std::make_shared<spdlog::logger>("test", log_);
        live::Live::Calls calls;
        calls.companion = [this](live::Surroundings const& around) -> std::unique_ptr<live::Companion> {
            writer = &around.writer;
            backend = &around.backend;
            auto options = hub::Feed::options_of(*around.fleet->hub);
            options.retry_first = options.retry_most = std::chrono::milliseconds{50};
            options.gather = std::chrono::milliseconds{10};
            options.claim_every = std::chrono::milliseconds{200};
            options.poll_every = poll_every;
            return std::make_unique<hub::Feed>(options, around);
        };
        live_.emplace(configuration(), std::vector<fleet::NoticeSettings>{}, "test", log, calls);
    }
    void stop() { live_.reset(); }
    void reload(std::string sites) {
        sites_ = std::move(sites);
        REQUIRE(live_->reload(configuration(), {}));
    }
    void keep(store::Changes changes) { REQUIRE(writer->now(std::move(changes)).get().has_value()); }
    [[nodiscard]] store::Reader reader() const { return store::Reader::open(file()).value(); }
    [[nodiscard]] std::filesystem::path file() const { return folder_ / "s.db"; }
    [[nodiscard]] std::string log() const {
        std::string all;
        for (auto const& line : log_->last_formatted()) {
            all += line;
        }
        return all;
    }
    [[nodiscard]] document::HubHealth health() const { return backend->health().value().hub.value(); }
    // Once everything that was noted has been told, and the store knows it.
    void told() const {
        until("all is told", [&] {
            auto at = reader();
            auto const backlog = at.feed_backlog().value();
            return backlog.facts == 0 && backlog.hours == 0 && !at.retells().value() &&
                   !at.feed().value()->sites.empty();
        });
    }

    store::Writer* writer = nullptr;
    api::Backend* backend = nullptr;
    double kilobits = 1e5;
    std::chrono::milliseconds poll_every{200};

private:
    store::test::Folder folder_;
    std::string conninfo_, sites_;
    // Read while the daemon writes to it, which a stream would not allow.
    std::shared_ptr<spdlog::sinks::ringbuffer_sink_mt> log_ =
        std::make_shared<spdlog::sinks::ringbuffer_sink_mt>(10'000);
    std::optional<live::Live> live_;
};

}  // namespace probekeeper::tests
