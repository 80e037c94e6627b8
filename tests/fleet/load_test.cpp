#include "fleet/load.h"

#include <spdlog/fmt/fmt.h>

#include <unistd.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <fstream>
#include <regex>
#include <sstream>

namespace probekeeper::fleet {
namespace {

namespace fs = std::filesystem;

fs::path const tests{PROBEKEEPER_SOURCE_DIR "/tests/fleet"};
fs::path const configs{PROBEKEEPER_SOURCE_DIR "/config"};

std::vector<fs::path> files_in(fs::path const& folder) {
    std::vector<fs::path> files;
    for (auto const& entry : fs::directory_iterator{folder}) {
        if (entry.path().extension() == ".toml") {
            files.push_back(entry.path());
        }
    }
    std::sort(files.begin(), files.end());
    return files;
}

std::string text_of(fs::path const& file) {
    std::ostringstream text;
    text << std::ifstream{file}.rdbuf();
    return text.str();
}

std::string told(Loaded const& loaded) {
    std::string all;
    for (auto const& problem : loaded.problems) {
        all += to_line(problem) + "\n";
    }
    return all;
}

// "FILE:LINE" with the file as seen from `folder`, and a part of the message.
struct Expected {
    std::string place, message;
};

// Of the remarks "# EXPECT LINE: part of the message" or "# EXPECT FILE:LINE: part of the message".
std::vector<Expected> expected_in(fs::path const& file) {
    std::regex const remark{R"(^# EXPECT (?:([^:]+\.toml):)?(\d+): (.*)$)"};
    std::vector<Expected> expected;
    std::istringstream text{text_of(file)};
    for (std::string line; std::getline(text, line);) {
        std::smatch found;
        if (std::regex_match(line, found, remark)) {
            auto const name = found[1].matched ? found[1].str() : file.filename().string();
            expected.push_back({name + ":" + found[2].str(), found[3].str()});
        }
    }
    return expected;
}

class TemporaryFolder {
public:
    TemporaryFolder() : path_{fs::temp_directory_path() / ("fleet-test-" + std::to_string(::getpid()))} {
        fs::create_directories(path_);
    }
    TemporaryFolder(TemporaryFolder const&) = delete;
    ~TemporaryFolder() { fs::remove_all(path_); }
    [[nodiscard]] fs::path write(std::string const& name, std::string_view text) const {
        std::ofstream{path_ / name} << text;
        return path_ / name;
    }

private:
    fs::path path_;
};

Fleet loaded(fs::path const& file) {
    auto result = load(file);
    INFO(told(result));
    REQUIRE(result.fleet);
    return std::move(*result.fleet);
}

TEST_CASE("every good file loads without a problem", "[fleet]") {
    auto const files = files_in(tests / "good");
    REQUIRE(files.size() >= 3);
    for (auto const& file : files) {
        auto const result = load(file);
        INFO(told(result));
        CHECK(result.fleet);
    }
}

TEST_CASE("every example configuration is valid as it is written", "[fleet]") {
    auto const files = files_in(configs);
    REQUIRE(files.size() >= 2);
    for (auto const& file : files) {
        auto const result = load(file);
        INFO(told(result));
        CHECK(result.fleet);
    }
}

TEST_CASE("every bad file gives exactly the problems that it says", "[fleet]") {
    auto const files = files_in(tests / "bad");
    REQUIRE(files.size() >= 40);
    bool const zones = fs::is_directory("/usr/share/zoneinfo");
    for (auto const& file : files) {
        if (!zones && file.stem() == "time-zone") {
            WARN("this machine has no time zone files, so a wrong time zone is not seen");
            continue;
        }
        auto const expected = expected_in(file);
        auto const result = load(file);
        INFO("of " << file.filename() << "\n" << told(result));
        CHECK_FALSE(result.fleet);
        REQUIRE(!expected.empty());
        REQUIRE(result.problems.size() == expected.size());
        for (std::size_t i = 0; i < expected.size(); ++i) {
            auto const& problem = result.problems[i];
            CHECK(problem.file.lexically_relative(tests / "bad").string() + ":" +
                      std::to_string(problem.line) ==
                  expected[i].place);
            // Messages name other places with the whole path.
            auto message = problem.message;
            auto const folder = (tests / "bad").string() + "/";
            for (auto at = message.find(folder); at != std::string::npos; at = message.find(folder)) {
                message.erase(at, folder.size());
            }
            CHECK_THAT(message, Catch::Contains(expected[i].message));
        }
    }
}

TEST_CASE("a webhook's key must be its owner's alone", "[fleet][notice]") {
    TemporaryFolder const folder;
    auto const key = folder.write("key", "secret\n");
    auto const file =
        folder.write("c.toml",
                     "[[notice]]\nid = \"hook\"\nby = \"webhook\"\nurl = \"https://ops.example/in\"\n"
                     "key_file = \"key\"\n");
    fs::permissions(key, fs::perms::owner_read | fs::perms::others_read);
    CHECK_THAT(told(load(file)), Catch::Contains("c.toml:5: ") && Catch::Contains("chmod 600"));
    fs::permissions(key, fs::perms::owner_read);
    auto const fleet = load(file);
    REQUIRE(fleet.problems.empty());
    REQUIRE(fleet.notices.size() == 1);
    CHECK(fleet.notices[0].way == Way::webhook);
    CHECK(fleet.notices[0].address == "https://ops.example/in");
    CHECK(fleet.notices[0].key_id == "hook");
}

TEST_CASE("notices arrive by id with hours since midnight", "[fleet][notice]") {
    auto const fleet = load(tests / "good" / "everything.toml");
    REQUIRE(fleet.notices.size() == 2);
    auto const& bus = fleet.notices[0];
    CHECK(bus.way == Way::mqtt);
    CHECK(bus.mqtt_version == MqttVersion::v5);
    CHECK(bus.digest_at == std::chrono::hours{7});
    auto const& mail = fleet.notices[1];
    REQUIRE(mail.quiet);
    CHECK(mail.quiet->from == std::chrono::hours{22});
    CHECK(mail.quiet->until == std::chrono::minutes{390});
    CHECK(mail.sites == std::vector<std::string>{"saltmarsh"});
    CHECK(mail.reasons.size() == 2);
}

TEST_CASE("everything that is written arrives", "[fleet]") {
    auto const fleet = loaded(tests / "good" / "everything.toml");
    CHECK(fleet.store.path == tests / "good" / "var" / "hatchery.db");
    CHECK(fleet.http.address == "127.0.0.1");
    CHECK(fleet.http.port == 8080);
    REQUIRE(fleet.scada);
    CHECK(fleet.scada->port == 1602);
    CHECK(fleet.scada->allow_from.size() == 3);
    CHECK(fleet.scada->allow_seen);
    REQUIRE(fleet.sites.size() == 1);
    CHECK(fleet.sites[0].salinity_psu == 31.0);
    CHECK_FALSE(fleet.sites[0].pressure_hpa);
    REQUIRE(fleet.lines.size() == 2);
    CHECK(fleet.lines[0].transport == Transport::rtu);
    CHECK(fleet.lines[0].device == "/dev/serial/by-id/usb-rs485-hall");
    CHECK(fleet.lines[0].baud == 19'200);
    CHECK(fleet.lines[1].host == "192.168.10.20");
    auto const tank = fleet.find_probe("saltmarsh-tank-1");
    REQUIRE(tank);
    auto const& probe = fleet.probes[*tank];
    CHECK(probe.unit == 1);
    CHECK(probe.use == Use::alarm);
    CHECK(probe.serial == "GX-0417");
    CHECK(probe.t90_s == 40.0);
    REQUIRE(probe.neighbours.size() == 1);
    CHECK(fleet.probes[probe.neighbours[0]].id == "saltmarsh-tank-1b");
    auto const& map = fleet.register_maps[*probe.register_map];
    CHECK(map.id == "two-floats");
    CHECK(map.dissolved_oxygen.width() == 2);
    REQUIRE(map.cleaning);
    CHECK(map.cleaning->table == Table::discrete);
    CHECK(map.cleaning->width() == 1);
    auto const jetty = fleet.find_probe("saltmarsh-jetty");
    REQUIRE(jetty);
    CHECK_FALSE(fleet.probes[*jetty].line);
    CHECK_FALSE(fleet.find_probe("saltmarsh-tank-9"));
    CHECK(std::is_sorted(fleet.probes.begin(), fleet.probes.end(),
                         [](Probe const& a, Probe const& b) { return a.id < b.id; }));
}

TEST_CASE("limits of the probe go before those of its site, and these before the fleet's", "[fleet]") {
    auto const fleet = loaded(tests / "good" / "including.toml");
    auto const& first = fleet.probes[*fleet.find_probe("one-1")].limits;
    CHECK(first.t90_ratio == 4.0);
    CHECK(first.span_percent == 6.0);
    CHECK(first.evidence_days == 30.0);
    auto const& second = fleet.probes[*fleet.find_probe("one-2")].limits;
    CHECK(second.t90_ratio == 4.0);
    CHECK(second.span_percent == 7.0);
}

TEST_CASE("defaults depend on the use and on a measured pressure, and a written limit holds for all",
          "[fleet]") {
    TemporaryFolder const folder;
    std::string const rest = R"(
[[site]]
id = "s"
kind = "wastewater"
pressure_hpa = 1000
[[line]]
id = "l"
site = "s"
transport = "tcp"
host = "h"
[[register_map]]
id = "with"
dissolved_oxygen = { table = "input", address = 0, type = "int16", unit = "mg/L" }
pressure = { table = "input", address = 1, type = "int16", unit = "kPa" }
[[register_map]]
id = "without"
dissolved_oxygen = { table = "input", address = 0, type = "int16", unit = "mg/L" }
[[probe]]
id = "a"
line = "l"
unit = 1
register_map = "with"
use = "control"
[[probe]]
id = "b"
line = "l"
unit = 2
register_map = "without"
[[probe]]
id = "c"
site = "s"
)";
    auto const fleet = loaded(folder.write("defaults.toml", rest));
    CHECK(fleet.probes[0].limits.t90_ratio == 2.0);
    CHECK(fleet.probes[0].limits.span_percent == 5.0);
    CHECK(fleet.probes[1].limits.t90_ratio == 3.0);
    CHECK(fleet.probes[1].limits.span_percent == 8.0);
    CHECK(fleet.probes[2].limits.span_percent == 8.0);
    CHECK(fleet.probes[2].limits.span_measured_percent == 5.0);
    auto const written =
        loaded(folder.write("written.toml", "[limits]\nt90_ratio = 2.5\nspan_percent = 4\n" + rest));
    for (auto const& probe : written.probes) {
        CHECK(probe.limits.t90_ratio == 2.5);
        CHECK(probe.limits.span_percent == 4.0);
        CHECK(probe.limits.span_measured_percent == 4.0);
    }
}

TEST_CASE("without [store] the store lies beside the configuration", "[fleet]") {
    CHECK(loaded(tests / "good" / "empty.toml").store.path == tests / "good" / "probekeeper.db");
}

TEST_CASE("a file that is not there is a problem of its own", "[fleet]") {
    auto const result = load(tests / "no-such-file.toml");
    CHECK_FALSE(result.fleet);
    REQUIRE(result.problems.size() == 1);
    CHECK(to_line(result.problems[0]) == (tests / "no-such-file.toml").string() + ":0: cannot be read");
    CHECK(load(tests).problems.size() == 1);
}

TEST_CASE("more serial lines than one daemon can hold are refused, and said how many it can", "[fleet]") {
    TemporaryFolder const folder;
    auto const with_lines = [&](int serial) {
        auto text = std::string{
            "[[site]]\nid = \"s\"\nkind = \"wastewater\"\nlatitude = 50.0\nlongitude = 0.0\n"
            "altitude_m = 0.0\nsalinity_psu = 0.0\n"};
        for (int i = 0; i < 1000; ++i) {
            text += fmt::format("[[line]]\nid = \"l{}\"\nsite = \"s\"\n", i);
            text += i < serial
                        ? fmt::format("transport = \"rtu\"\ndevice = \"/dev/ttyS{}\"\nbaud = 9600\n", i)
                        : fmt::format("transport = \"tcp\"\nhost = \"10.0.0.1\"\nport = {}\n", 1000 + i);
        }
        return load(folder.write("lines.toml", text));
    };
    CHECK(told(with_lines(900)).empty());
    auto const beyond = with_lines(901);
    REQUIRE(beyond.problems.size() == 1);
    CHECK(told(beyond).find("there are 901 serial lines, and one daemon can hold 900") != std::string::npos);
}

TEST_CASE("a secret that its owner alone can read is accepted", "[fleet]") {
    TemporaryFolder const folder;
    auto const tokens = folder.write("tokens", "# nobody yet\n");
    fs::permissions(tokens, fs::perms::owner_read | fs::perms::owner_write);
    auto const fleet =
        loaded(folder.write("f.toml", "[http]\nlisten = \"[::1]:80\"\ntokens_file = \"tokens\"\n"));
    CHECK(fleet.http.tokens_file == tokens);
    CHECK(fleet.http.address == "::1");
}

TEST_CASE("a file cut off after any byte is loaded or refused, never worse", "[fleet]") {
    TemporaryFolder const folder;
    auto const whole =
        text_of(tests / "good" / "sites" / "one.toml") + text_of(tests / "good" / "sites" / "two.toml");
    for (std::size_t length = 0; length <= whole.size(); ++length) {
        auto const result = load(folder.write("cut.toml", std::string_view{whole}.substr(0, length)));
        CHECK(result.fleet.has_value() == result.problems.empty());
    }
}

TEST_CASE("a file with any byte replaced is loaded or refused, never worse", "[fleet]") {
    TemporaryFolder const folder;
    auto const whole = text_of(tests / "good" / "sites" / "two.toml");
    for (char const other : {'"', '[', '=', '\0', '\xFF', '9', '\n'}) {
        for (std::size_t at = 0; at < whole.size(); ++at) {
            auto text = whole;
            text[at] = other;
            auto const result = load(folder.write("changed.toml", text));
            CHECK(result.fleet.has_value() == result.problems.empty());
        }
    }
}

}  // namespace
}  // namespace probekeeper::fleet
