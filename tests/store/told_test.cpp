#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

KeptEvent event(std::int64_t id) {
    KeptEvent e;
    e.id = id;
    e.at = day_one + Millis{id};
    e.kind = "ticket";
    e.site = "a";
    e.data = "{}";
    return e;
}

}  // namespace

TEST_CASE("of what was told at least the newest 10,000 stay, and not many more", "[store][events]") {
    Folder folder;
    auto store = Store::open(folder / "s.db").value();
    // Numbers leap at each start of the daemon.
    std::int64_t id = 0;
    for (int start = 0; start < 4; ++start) {
        Changes changes;
        for (int i = 0; i < 3'000; ++i) {
            changes.events.push_back(event(++id));
        }
        REQUIRE(store.keep(changes).has_value());
        id += 1'000;
    }
    auto reader = Reader::open(folder / "s.db").value();
    auto const kept = reader.events_after(0, 20'000).value();
    CHECK(kept.size() >= 10'000);
    CHECK(kept.size() <= 10'000 + 256);
    CHECK(kept.back().id == id - 1'000);
    CHECK(reader.last_event().value() == id - 1'000);
    auto const few = reader.events_after(id - 1'003, 2).value();
    REQUIRE(few.size() == 2);
    CHECK(few[0].id == id - 1'002);
    CHECK(few[1].at == day_one + Millis{id - 1'001});
}

TEST_CASE("who changed what is listed newest first, in pages that join", "[store][events]") {
    Folder folder;
    auto store = Store::open(folder / "s.db").value();
    Changes changes;
    for (int i = 0; i < 5; ++i) {
        changes.people.push_back(
            {day_one + Millis{i}, "van", "10.0.0.7", "POST", "/v1/" + std::to_string(i), 200});
    }
    REQUIRE(store.keep(changes).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    std::string paths;
    PageRequest request = first(2);
    do {
        auto const page = reader.changes(request).value();
        for (auto const& change : page.items) {
            paths += change.path + " " + change.who + " ";
        }
        request.after = page.next;
    } while (request.after);
    CHECK(paths == "/v1/4 van /v1/3 van /v1/2 van /v1/1 van /v1/0 van ");
}
