// Recorded readings through the pipeline: what a run leaves behind, and that a run that fails leaves nothing.
#include "replay/replay.h"

#include <fcntl.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json/parse.hpp>
#include <boost/json/value.hpp>
#include <catch2/catch.hpp>
#include <fstream>
#include <iterator>

#include "diagnosis/site.h"
#include "pipeline/support.h"
#include "replay/outputs.h"
#include "store/reader.h"
#include "store/store.h"

namespace probekeeper::replay {
namespace {

namespace fs = std::filesystem;
using pipeline::test::day_one;
using pipeline::test::Fed;
using pipeline::test::hour;

class Folder {
public:
    Folder() {
        std::string name = (fs::temp_directory_path() / "probekeeper-replay-XXXXXX").string();
        REQUIRE(mkdtemp(name.data()) != nullptr);
        path_ = name;
    }
    ~Folder() {
        std::error_code ignored;
        fs::remove_all(path_, ignored);
    }
    Folder(Folder&&) = delete;
    [[nodiscard]] fs::path operator/(std::string const& name) const { return path_ / name; }
    [[nodiscard]] std::vector<std::string> names() const {
        std::vector<std::string> all;
        for (auto const& entry : fs::recursive_directory_iterator{path_}) {
            all.push_back(fs::relative(entry.path(), path_).string());
        }
        std::sort(all.begin(), all.end());
        return all;
    }

private:
    fs::path path_;
};

std::string content(fs::path const& file) {
    std::ifstream in{file, std::ios::binary};
    REQUIRE(in);
    return {std::istreambuf_iterator<char>{in}, {}};
}

void write(fs::path const& file, std::string const& text) {
    std::ofstream{file, std::ios::binary} << text;
}

// Three days of three tanks, the first of which is three times as slow as it should be.
std::vector<Fed> const& recorded() {
    static auto const fed = pipeline::test::readings_of(72.0, 130.0);
    return fed;
}

std::string csv_of(fleet::Fleet const& fleet, std::vector<Fed> const& fed) {
    std::string text = "time,probe,do_mg_l,temperature_c,cleaning\n";
    for (auto const& f : fed) {
        fmt::format_to(std::back_inserter(text), "{},{},{:.3f},{:.1f},{:d}\n", to_unix_ms(f.reading.time),
                       fleet.probes[f.probe].id, f.reading.do_mg_l, f.reading.temperature_c,
                       f.reading.has(mark_cleaning));
    }
    return text;
}

// A folder with readings in it, and a request that asks for everything.
struct Desk {
    Folder folder;
    fleet::Fleet fleet = pipeline::test::small_fleet();
    Request request;

    Desk() {
        request.readings = folder / "readings.csv";
        write(request.readings, csv_of(fleet, recorded()));
        request.tickets = folder / "tickets.jsonl";
        request.diagnosis = folder / "diagnosis";
        request.store = folder / "replay.db";
    }
    Summary run() { return replay::run(fleet, request, {}); }
    [[nodiscard]] store::Reader reader() const { return store::Reader::open(*request.store).value(); }
};

template <typename T>
std::vector<T> whole(store::Page<T> page) {
    CHECK_FALSE(page.next);
    return std::move(page.items);
}

constexpr store::PageRequest everything{10'000, std::nullopt};

}  // namespace

TEST_CASE("a replay leaves every ticket of the run, and each configured probe's last diagnosis", "[replay]") {
    Desk desk;
    desk.request.store.reset();
    auto const summary = desk.run();
    CHECK(summary.rows == recorded().size());
    CHECK(summary.bad == 0);
    CHECK(summary.repeated == 0);
    CHECK(summary.first == recorded().front().reading.time);
    CHECK(summary.last == recorded().back().reading.time);
    CHECK(summary.response_tests_used > 30);
    CHECK(summary.response_tests >= summary.response_tests_used);
    CHECK(summary.tickets == 1);
    CHECK(summary.tickets_unfinished == 1);
    CHECK(summary.reasons ==
          std::map<diagnosis::Reason, std::uint64_t>{{diagnosis::Reason::slow_response, 1}});

    auto const lines = content(*desk.request.tickets);
    CHECK(std::count(lines.begin(), lines.end(), '\n') == 1);
    auto const ticket = boost::json::parse(lines).as_object();
    CHECK(ticket.at("probe").as_string() == "tank-1");
    CHECK(ticket.at("id").as_string() == "saltmarsh-1");
    CHECK(ticket.at("reasons").as_array().at(0).as_object().at("code").as_string() == "slow_response");

    CHECK(desk.folder.names() == std::vector<std::string>{"diagnosis", "diagnosis/pond-1.json",
                                                          "diagnosis/tank-1.json", "diagnosis/tank-2.json",
                                                          "diagnosis/tank-3.json", "readings.csv",
                                                          "tickets.jsonl"});
    auto const slow = boost::json::parse(content(*desk.request.diagnosis / "tank-1.json")).as_object();
    CHECK(slow.at("probe").as_string() == "tank-1");
    CHECK(slow.at("condition").as_string() == "maintenance_required");
    auto const quick = boost::json::parse(content(*desk.request.diagnosis / "tank-2.json")).as_object();
    CHECK(quick.at("condition").as_string() == "good");
    // Configured, and never heard of: its file says that nothing is known.
    auto const unheard = boost::json::parse(content(*desk.request.diagnosis / "pond-1.json")).as_object();
    CHECK(unheard.at("condition").as_string() == "unknown");
    CHECK(unheard.at("t90").is_null());
    CHECK_FALSE(unheard.at("t90_unknown").as_string().empty());
}

TEST_CASE(
    "a record of work at a probe that nobody had in hand is questioned by its line, and the lift is kept",
    "[replay][service]") {
    Desk desk;
    diagnosis::test::Rig rig{3, 7};
    std::vector<Fed> fed;
    auto const run = [&](double hours) {
        rig.run(hours, [&](std::size_t place, Reading const& r) {
            fed.push_back({pipeline::test::first_tank + static_cast<fleet::ProbeIndex>(place), r});
        });
    };
    run(30.0);
    rig.probe(1).in_air = true;
    run(0.25);
    rig.probe(1).in_air = false;
    run(5.0);
    write(desk.request.readings, csv_of(desk.fleet, fed));
    desk.request.service = desk.folder / "service.csv";
    auto const lifted = to_rfc3339(day_one + seconds(30.1 * 3600.0));
    write(*desk.request.service, "time,probe,kind,site\n" + to_rfc3339(day_one + hour) +
                                     ",tank-3,inspection,saltmarsh\n" + lifted +
                                     ",tank-1,membrane_wipe,saltmarsh\n");
    auto const summary = desk.run();
    CHECK(summary.records == 2);
    REQUIRE(summary.questions.size() == 1);
    CHECK(summary.questions[0].line == 3);
    CHECK_THAT(summary.questions[0].text,
               Catch::Contains("no handling of tank-1") && Catch::Contains("tank-2 ("));
    auto reader = desk.reader();
    auto const seen = reader.service_changes("tank-2", day_one, day_one + 40 * hour).value();
    REQUIRE(seen.size() == 2);
    CHECK(seen[0].state == diagnosis::ServiceState::in_hand);
}

TEST_CASE("a store that a replay fills holds all that was read and found", "[replay][store]") {
    Desk desk;
    desk.request.service = desk.folder / "service.csv";
    write(*desk.request.service,
          "time,probe,kind,by\n" + to_rfc3339(day_one + 71 * hour) + ",tank-2,inspection,t1\n");
    auto const summary = desk.run();
    CHECK(summary.records == 1);

    auto reader = desk.reader();
    std::size_t readings = 0;
    for (auto const* id : {"tank-1", "tank-2", "tank-3"}) {
        CAPTURE(id);
        std::vector<Reading> kept;
        std::optional<std::string> after;
        do {
            auto page = reader.readings(id, Timestamp{}, day_one + 1000 * hour, {10'000, after}).value();
            kept.insert(kept.end(), page.items.begin(), page.items.end());
            after = page.next;
        } while (after);
        readings += kept.size();
        REQUIRE_FALSE(kept.empty());
        CHECK(kept.back().time == *summary.last);
    }
    CHECK(readings == recorded().size());

    std::size_t tests = 0;
    for (auto const* id : {"tank-1", "tank-2", "tank-3"}) {
        tests += whole(reader.response_tests(id, Timestamp{}, everything).value()).size();
    }
    CHECK(tests == summary.response_tests);

    auto const tickets = whole(reader.tickets({}, everything).value());
    REQUIRE(tickets.size() == 1);
    CHECK(tickets.front().probe == "tank-1");
    CHECK(whole(reader.service_records("tank-2", everything).value()).size() == 1);
    CHECK(whole(reader.diagnoses("tank-1", Timestamp{}, day_one + 1000 * hour, everything).value()).size() >=
          2);
    CHECK(reader.newest_diagnosis("pond-1").value().has_value());
    CHECK(content(*desk.request.diagnosis / "tank-1.json") ==
          reader.newest_diagnosis("tank-1").value()->document + "\n");

    auto const version = std::to_string(diagnosis::algorithm_version);
    auto const newest = reader.checkpoint("saltmarsh", version).value();
    REQUIRE(newest);
    CHECK(newest->position == *summary.last);
    auto const daily = reader.checkpoint("saltmarsh", version, *summary.last - hour).value();
    REQUIRE(daily);  // where a late record can begin
    CHECK(daily->position < *summary.last - 20 * hour);

    // No working copy is left beside it.
    for (auto const& name : desk.folder.names()) {
        CHECK(name.find(".replay") == std::string::npos);
        CHECK(name.find(".part") == std::string::npos);
    }
}

TEST_CASE("the daemon can go on from the checkpoint that a replay left", "[replay][store]") {
    Desk desk;
    auto const summary = desk.run();
    auto const newest =
        desk.reader().checkpoint("saltmarsh", std::to_string(diagnosis::algorithm_version)).value();
    REQUIRE(newest);
    pipeline::test::Remember sink;
    pipeline::SitePipeline site{desk.fleet, pipeline::test::saltmarsh, pipeline::test::empty_book(), sink};
    REQUIRE(site.rewind({reinterpret_cast<char const*>(newest->state.data()), newest->state.size()}));
    CHECK(site.now() == *summary.last);
    CHECK(document::write(document::to_json(site.verdict(pipeline::test::first_tank), "tank-1")) + "\n" ==
          content(*desk.request.diagnosis / "tank-1.json"));
}

TEST_CASE("a late record can begin from any day's checkpoint: what follows it gives the same end",
          "[replay][store]") {
    Desk desk;
    auto const summary = desk.run();
    auto const daily =
        desk.reader()
            .checkpoint("saltmarsh", std::to_string(diagnosis::algorithm_version), *summary.last - 30 * hour)
            .value();
    REQUIRE(daily);
    pipeline::test::Remember sink;
    pipeline::SitePipeline site{desk.fleet, pipeline::test::saltmarsh, pipeline::test::empty_book(), sink};
    REQUIRE(site.rewind({reinterpret_cast<char const*>(daily->state.data()), daily->state.size()}));
    // Between two instants: a position that some probes' readings are in, and others' are not, would lose
    // those.
    CHECK(daily->position == day_one + 24 * hour - Millis{10'000});
    CHECK(site.now() == daily->position);
    // From the store, as the daemon does it: rounded and completed as the CSV gave them.
    auto reader = desk.reader();
    auto stream =
        reader.stream({"tank-1", "tank-2", "tank-3"}, daily->position + Millis{1}, *summary.last + Millis{1})
            .value();
    while (auto const item = stream.next().value()) {
        site.take(pipeline::test::first_tank + static_cast<fleet::ProbeIndex>(item->place), item->reading);
    }
    for (fleet::ProbeIndex probe = 1; probe <= 3; ++probe) {
        auto const& id = desk.fleet.probes[probe].id;
        CHECK(document::write(document::to_json(site.verdict(probe), id)) + "\n" ==
              content(*desk.request.diagnosis / (id + ".json")));
    }
}

TEST_CASE("the same readings give the same bytes, with a store and without", "[replay]") {
    Desk first, second, without;
    without.request.store.reset();
    first.run();
    second.run();
    without.run();
    auto const tickets = content(*first.request.tickets);
    CHECK_FALSE(tickets.empty());
    CHECK(content(*second.request.tickets) == tickets);
    CHECK(content(*without.request.tickets) == tickets);
    for (auto const* id : {"pond-1.json", "tank-1.json", "tank-2.json", "tank-3.json"}) {
        CAPTURE(id);
        auto const diagnosis = content(*first.request.diagnosis / id);
        CHECK(content(*second.request.diagnosis / id) == diagnosis);
        CHECK(content(*without.request.diagnosis / id) == diagnosis);
    }
}

TEST_CASE("rows shuffled within five minutes give the same tickets as sorted ones", "[replay]") {
    Desk sorted, shuffled;
    sorted.request.store.reset();
    shuffled.request.store.reset();
    sorted.run();
    auto fed = recorded();
    // Blocks of two minutes, each turned round.
    for (std::size_t i = 0; i + 36 <= fed.size(); i += 36) {
        std::reverse(fed.begin() + static_cast<std::ptrdiff_t>(i),
                     fed.begin() + static_cast<std::ptrdiff_t>(i) + 36);
    }
    write(shuffled.request.readings, csv_of(shuffled.fleet, fed));
    CHECK(shuffled.run().bad == 0);
    CHECK(content(*shuffled.request.tickets) == content(*sorted.request.tickets));
}

TEST_CASE("a service file is taken into account from its own times on", "[replay]") {
    Desk desk;
    desk.request.store.reset();
    desk.request.service = desk.folder / "service.csv";
    // A new membrane on the first morning that is as slow from the beginning: nothing has become slow.
    write(*desk.request.service,
          "time,probe,kind\n" + to_rfc3339(day_one + 4 * hour) + ",tank-1,membrane_change\n");
    auto const summary = desk.run();
    CHECK(summary.records == 1);
    CHECK(summary.tickets == 0);
    CHECK(content(*desk.request.tickets).empty());
}

TEST_CASE("a store that already holds readings is refused and stays as it was", "[replay][store]") {
    Desk desk;
    desk.run();
    auto const tickets = content(*desk.request.tickets);
    auto const names = desk.folder.names();
    auto const before = content(*desk.request.store);
    auto const stamp = fs::last_write_time(*desk.request.tickets);
    CHECK_THROWS_AS(desk.run(), WrongUsage);
    auto after = desk.folder.names();
    std::erase(after, "replay.db.lock");  // shows only that somebody looked
    CHECK(after == names);
    CHECK(content(*desk.request.tickets) == tickets);
    CHECK(fs::last_write_time(*desk.request.tickets) == stamp);
    CHECK(content(*desk.request.store) == before);
    CHECK(desk.reader().newest_reading("tank-3").value().has_value());
}

TEST_CASE("a refused store leaves no folder behind either", "[replay][store]") {
    Desk desk;
    desk.run();
    desk.request.diagnosis = desk.folder / "another" / "place";
    CHECK_THROWS_AS(desk.run(), WrongUsage);
    CHECK_FALSE(fs::exists(desk.folder / "another"));
}

TEST_CASE("a store without readings keeps what people wrote in it, and ticket numbers go on",
          "[replay][store]") {
    Desk desk;
    {
        auto store = store::Store::open(*desk.request.store).value();
        service::Ticket old;
        old.site = "saltmarsh";
        old.number = 41;
        old.id = "saltmarsh-41";
        old.probe = "tank-3";
        old.state = service::State::closed;
        old.opened_at = old.updated_at = day_one - 100 * hour;
        old.history = {{old.opened_at, service::State::closed, "t1", ""}};
        store::Changes changes;
        changes.tickets.push_back(old);
        REQUIRE(store.enrol({{"tank-3", "saltmarsh"}}, old.opened_at).has_value());
        REQUIRE(store.keep(changes).has_value());
    }
    desk.run();
    auto const tickets = whole(desk.reader().tickets({}, everything).value());
    REQUIRE(tickets.size() == 2);
    CHECK(tickets[0].id == "saltmarsh-41");
    CHECK(tickets[1].id == "saltmarsh-42");
}

TEST_CASE("too many bad rows stop the run and leave no output", "[replay]") {
    Desk desk;
    bool const with_store = GENERATE(true, false);
    if (with_store) {
        desk.request.store = desk.folder / "var" / "replay.db";
    } else {
        desk.request.store.reset();
    }
    std::ofstream more{desk.request.readings, std::ios::app};
    for (int i = 0; i < 11; ++i) {
        more << "no time,tank-1,6.0,20.0,0\n";
    }
    more.close();
    desk.request.max_bad_rows = 10;
    std::vector<std::uint64_t> told;
    Watcher watcher;
    watcher.bad_row = [&](fs::path const& file, intake::BadRow const& row) {
        CHECK(file == desk.request.readings);
        told.push_back(row.line);
    };
    CHECK_THROWS_AS(run(desk.fleet, desk.request, watcher), intake::TooManyBadRows);
    CHECK(told.size() == 11);
    CHECK(told.front() == recorded().size() + 2);  // behind the header row
    CHECK(desk.folder.names() == std::vector<std::string>{"readings.csv"});
}

TEST_CASE("as many bad rows as allowed are skipped and counted, exact repeats likewise", "[replay]") {
    Desk plain, dirty;
    plain.request.store.reset();
    dirty.request.store.reset();
    plain.run();
    auto text = content(dirty.request.readings);
    auto const last_row = text.substr(text.rfind('\n', text.size() - 2) + 1);
    text += last_row + "no time,tank-1,6.0,20.0,0\n" + "17,nobody,6.0,20.0,0\n";
    write(dirty.request.readings, text);
    dirty.request.max_bad_rows = 2;
    auto const summary = dirty.run();
    CHECK(summary.bad == 2);
    CHECK(summary.repeated == 1);
    CHECK(summary.rows == recorded().size() + 3);
    CHECK(content(*dirty.request.tickets) == content(*plain.request.tickets));
}

TEST_CASE("a folder that cannot be made is wrong usage, told before anything is done", "[replay]") {
    Desk desk;
    write(desk.folder / "in-the-way", "a file");
    desk.request.diagnosis = desk.folder / "in-the-way" / "diagnosis";
    CHECK_THROWS_AS(desk.run(), WrongUsage);
    CHECK(desk.folder.names() == std::vector<std::string>{"in-the-way", "readings.csv"});
}

TEST_CASE("readings that are not there fail the run and leave no output", "[replay]") {
    Desk desk;
    fs::remove(desk.request.readings);
    CHECK_THROWS_AS(desk.run(), intake::CsvError);
    CHECK(desk.folder.names().empty());
}

TEST_CASE("progress ends at the last reading", "[replay]") {
    Desk desk;
    desk.request.store.reset();
    std::vector<Progress> told;
    Watcher watcher;
    watcher.progress = [&](Progress const& p) { told.push_back(p); };
    auto const summary = run(desk.fleet, desk.request, watcher);
    REQUIRE_FALSE(told.empty());
    CHECK(told.back().readings == summary.rows);
    CHECK(told.back().at == *summary.last);
    CHECK(told.back().bytes_total == fs::file_size(desk.request.readings));
    CHECK(told.back().bytes_read == told.back().bytes_total);
}

TEST_CASE("a pipe or a device that takes the tickets stays one", "[replay]") {
    Folder folder;
    auto const pipe = folder / "tickets";
    REQUIRE(::mkfifo(pipe.c_str(), 0600) == 0);
    int const reader = ::open(pipe.c_str(), O_RDWR | O_NONBLOCK | O_CLOEXEC);
    REQUIRE(reader >= 0);
    write_file(pipe, "one\n");
    char text[16] = {};
    CHECK(::read(reader, text, sizeof text) == 4);
    CHECK(fs::is_fifo(pipe));
    ::close(reader);
}

}  // namespace probekeeper::replay
