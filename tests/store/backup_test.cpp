#include "store/backup.h"

#include <fstream>
#include <thread>

#include "store/support.h"
#include "store/writer.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

TEST_CASE("a copy made while the writer writes is whole and can be run from", "[store][backup]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    Writer writer{std::move(store), Retention{}};
    std::vector<std::thread> threads;
    std::promise<void> some_written;
    threads.emplace_back([&] {
        for (int i = 0; i < 100; ++i) {
            std::vector<ProbeReading> both;
            for (auto const key : {keys[0], keys[1]}) {
                for (int k = 0; k < 50; ++k) {
                    both.push_back({key, reading_at(day_one + seconds(50 * i + k), k)});
                }
            }
            if (!writer.add_surely(both).get().has_value()) {
                std::abort();
            }
            if (i == 20) {
                some_written.set_value();
            }
        }
    });
    some_written.get_future().wait();
    CHECK(backup(folder / "s.db", folder / "copy.db").has_value());
    threads[0].join();
    CHECK(backup(folder / "s.db", folder / "copy2.db").has_value());
    CHECK(backup(folder / "s.db", folder / "copy2.db").has_value());  // replaces the older copy

    auto const copied = [&](std::string const& name) {
        auto copy = Store::open(folder / name).value();
        auto reader = Reader::open(folder / name).value();
        auto const a = reader.readings("a-1", day_one, day_one + days(1), first(10'000)).value().items.size();
        CHECK(reader.readings("a-2", day_one, day_one + days(1), first(10'000)).value().items.size() == a);
        CHECK(a % 50 == 0);
        return a;
    };
    CHECK(copied("copy.db") >= 21 * 50);
    CHECK(copied("copy2.db") == 100 * 50);
}

TEST_CASE("only its owner may read a copy, whatever it replaces and whoever may read the store",
          "[store][backup]") {
    Folder const folder;
    { auto const store = Store::open(folder / "s.db").value(); }
    std::filesystem::permissions(folder / "s.db", std::filesystem::perms{0644});
    std::ofstream{folder / "copy.db"} << "an older file";
    std::filesystem::permissions(folder / "copy.db", std::filesystem::perms{0666});
    REQUIRE(backup(folder / "s.db", folder / "copy.db").has_value());
    CHECK(std::filesystem::status(folder / "copy.db").permissions() == std::filesystem::perms{0600});
    CHECK(Reader::open(folder / "copy.db").has_value());
}

TEST_CASE("a copy that cannot be made leaves nothing and says why", "[store][backup]") {
    Folder const folder;
    CHECK(backup(folder / "none.db", folder / "copy.db").error().fault == Fault::io);
    { auto const store = Store::open(folder / "s.db").value(); }
    auto const onto_itself = backup(folder / "s.db", folder / "s.db");
    REQUIRE(onto_itself.has_error());
    CHECK_THAT(onto_itself.error().message, Catch::Contains("is the store itself"));
    CHECK(backup(folder / "s.db", folder / "no/folder/copy.db").error().fault == Fault::io);
    CHECK_FALSE(std::filesystem::exists(folder / "copy.db"));
    CHECK_FALSE(std::filesystem::exists(folder / "copy.db.unfinished"));
    CHECK(Reader::open(folder / "s.db").has_value());
}
