// Readings that come as a file while the keeper is at work: what they change is diagnosed, also where the
// daemon dies or takes another configuration between their storing and their diagnosis.
#include "live/upload.h"

#include <catch2/catch.hpp>
#include <fstream>

#include "live/estate.h"

namespace probekeeper::live {
namespace {

using test::at_hour;
using test::Estate;

// The first tank's hours 12 to 20 come late, as a file.
struct LateHours {
    Estate estate{/*somebody_lifts=*/false, 12.0, 20.0};

    LateHours() {
        estate.keeping.checkpoint_every = std::chrono::milliseconds{0};  // at every turn
        std::ofstream csv{estate.folder / "late.csv"};
        csv << "time,probe,do_mg_l,temperature_c,cleaning\n";
        for (auto const& r : estate.late) {
            csv << fmt::format("{},tank-1,{},{},{}\n", to_rfc3339(r.time), r.do_mg_l, r.temperature_c,
                               r.has(mark_cleaning) ? 1 : 0);
        }
    }

    // `between` is done when the rows are on the disk, and before their diagnosis.
    void upload(std::function<void()> const& between) {
        auto const keep = [&](api::Upload const&) {
            between();
            return std::optional<api::KeptAnswer>{};
        };
        auto const board = estate.board;
        auto const taken = take_upload(estate.folder / "late.csv", {}, keep, estate.now, estate.keys,
                                       *estate.writer, *board, estate.arrivals);
        REQUIRE(taken.has_value());
        REQUIRE(taken->accepted == estate.late.size());
        estate.turn();
    }

    // How many tests those hours hold.
    static std::size_t expected() {
        LateHours undisturbed;
        undisturbed.estate.start();
        REQUIRE(undisturbed.estate.tests_from(12.0) < undisturbed.estate.tests_from(0.0));
        auto const without = undisturbed.estate.tests_from(12.0);
        undisturbed.upload([] {});
        auto const with = undisturbed.estate.tests_from(12.0);
        REQUIRE(with > without);
        return with;
    }
};

}  // namespace

TEST_CASE("a daemon that dies when an upload is stored and not yet diagnosed diagnoses it at its next start",
          "[live][upload]") {
    auto const expected = LateHours::expected();
    LateHours late;
    auto& estate = late.estate;
    estate.start();
    late.upload([&] {
        estate.turn();  // the keeper may write checkpoints of what it knows
        REQUIRE(estate.writer->flush().get().has_value());
        estate.copy("killed.db");
    });
    CHECK(estate.tests_from(12.0) == expected);
    estate.restart_from("killed.db");
    CHECK(estate.tests_from(12.0) == expected);
    estate.restart();
    CHECK(estate.tests_from(12.0) == expected);
}

TEST_CASE("an upload that outlives the configuration it began with is diagnosed by the next one",
          "[live][upload]") {
    auto const expected = LateHours::expected();
    LateHours late;
    auto& estate = late.estate;
    estate.start();
    late.upload([&] {
        estate.keeper->stop();
        estate.keeper.reset();
        estate.begin();
    });
    CHECK(estate.tests_from(12.0) == expected);
    estate.restart();
    CHECK(estate.tests_from(12.0) == expected);
}

TEST_CASE("checkpoints go on when an upload has been diagnosed", "[live][upload]") {
    LateHours late;
    auto& estate = late.estate;
    estate.start();
    auto const newest = [&] {
        REQUIRE(estate.writer->flush().get().has_value());
        return store::Reader::open(estate.file)
            .value()
            .checkpoint("saltmarsh", std::to_string(diagnosis::algorithm_version))
            .value();
    };
    auto const before = newest();
    REQUIRE(before);
    late.upload([&] {
        estate.turn();
        CHECK_FALSE(newest());
    });
    auto const after = newest();
    REQUIRE(after);
    CHECK(after->position == before->position);
    CHECK(after->state != before->state);
}

TEST_CASE("what is announced or has come is known only up to its first reading, until it is taken",
          "[live][upload]") {
    Arrivals arrivals;
    int called = 0;
    arrivals.call([&] { ++called; });
    CHECK(arrivals.known("a", at_hour(9.0)));
    {
        Arrivals::Announced const one{arrivals, {{"a", {at_hour(3.0), at_hour(5.0)}}}};
        Arrivals::Announced const other{
            arrivals, {{"a", {at_hour(4.0), at_hour(6.0)}}, {"b", {at_hour(1.0), at_hour(1.0)}}}};
        CHECK(arrivals.known("a", at_hour(3.0) - Millis{1}));
        CHECK_FALSE(arrivals.known("a", at_hour(3.0)));
        CHECK_FALSE(arrivals.known("b", at_hour(2.0)));
        CHECK(arrivals.known("c", at_hour(9.0)));
        CHECK_FALSE(arrivals.take("a"));
        CHECK(called == 0);
    }
    CHECK(called == 2);
    CHECK_FALSE(arrivals.known("a", at_hour(3.0)));
    auto const came = arrivals.take("a");
    REQUIRE(came);
    CHECK(came->first == at_hour(3.0));
    CHECK(came->last == at_hour(6.0));
    CHECK(arrivals.known("a", at_hour(9.0)));
    CHECK_FALSE(arrivals.take("a"));
}

}  // namespace probekeeper::live
