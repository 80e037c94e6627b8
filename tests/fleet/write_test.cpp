#include "fleet/write.h"

#include <spdlog/fmt/fmt.h>

#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "fleet/files.h"
#include "fleet/load.h"

using namespace probekeeper;
using namespace probekeeper::fleet;

namespace {

class OneFile final : public Files {
public:
    explicit OneFile(std::string text) : text_{std::move(text)} {}
    [[nodiscard]] std::optional<std::string> text(std::filesystem::path const&) const override {
        return text_;
    }
    [[nodiscard]] std::vector<std::filesystem::path> matching(std::filesystem::path const&,
                                                              std::string const&) const override {
        return {};
    }

private:
    std::string text_;
};

Fleet loaded(std::string const& text) {
    auto const found = load("x.toml", OneFile{text});
    for (auto const& problem : found.problems) {
        UNSCOPED_INFO(to_line(problem));
    }
    REQUIRE(found.fleet);
    return *found.fleet;
}

std::string text_of(std::filesystem::path const& file) {
    std::ostringstream text;
    text << std::ifstream{file}.rdbuf();
    return text.str();
}

constexpr char const* rich = R"toml(
[limits]
t90_ratio = 2.5

[[site]]
id = "saltmarsh"
name = "Salt \"marsh\"\\ \u00e9\n2"
kind = "wastewater"
latitude = 53.123456789
longitude = -0.1
altitude_m = 12.5
salinity_psu = 31
pressure_hpa = 1000.5
time_zone = "Europe/London"
address = "1 Sea Wall"
access_notes = "key behind the hut"
[site.access]
biosecurity = "suspect"
windows = { monday = ["08:00-12:00", "13:00-17:30"], sunday = ["00:00-24:00"] }
closed = ["2026-12-24/2027-01-02", "2027-05-01"]
only = ["2026-12-01T05:30:00Z/2026-12-01T08:00:00Z"]
notice_hours = 48
sign_in_minutes = 20
skills = ["confined_space", "boat"]
two_person = true
check_days = 90
[site.limits]
horizon_days = 7

[[site]]
id = "other"
kind = "aquaculture"

[[line]]
id = "l"
site = "saltmarsh"
transport = "tcp"
host = "127.0.0.1"

[[register_map]]
id = "m"
dissolved_oxygen = { table = "input", address = 0, type = "float32", unit = "mg/L" }
pressure = { table = "input", address = 2, type = "float32", unit = "hPa" }

[[probe]]
id = "p1"
line = "l"
unit = 1
register_map = "m"
location = "Outlet"
use = "control"
serial = "GX-1"
membrane = "cap-25um"
poll_s = 2.5
t90_s = 40
salinity_psu = 30
transmitter_salinity_psu = 0
neighbours = ["p2"]
[probe.limits]
reference_mg_l = 0.25

[[probe]]
id = "p2"
site = "saltmarsh"

[[probe]]
id = "q"
site = "other"
)toml";

}  // namespace

TEST_CASE("a site is written so that it reads back as the same site with the same probes", "[fleet]") {
    auto const before = loaded(rich);
    auto const number = before.find_site("saltmarsh").value();
    auto const text = site_as_toml(before, number);
    CAPTURE(text);
    auto const after = loaded(text);
    REQUIRE(after.sites.size() == 1);
    REQUIRE(after.probes.size() == 2);
    CHECK(after.lines.empty());
    auto const& site = after.sites[0];
    auto const& old = before.sites[number];
    CHECK(site.name == old.name);
    CHECK(site.kind == old.kind);
    CHECK(site.latitude == old.latitude);
    CHECK(site.longitude == old.longitude);
    CHECK(site.altitude_m == old.altitude_m);
    CHECK(site.pressure_hpa == old.pressure_hpa);
    CHECK(site.time_zone == old.time_zone);
    CHECK(site.access_notes == old.access_notes);
    CHECK(site.access.windows == old.access.windows);
    CHECK(site.access.closed.size() == 2);
    CHECK(site.access.closed[0].last == old.access.closed[0].last);
    CHECK(site.access.only.at(0).to == old.access.only.at(0).to);
    CHECK(site.access.skills == old.access.skills);
    CHECK(site.access.two_person);
    CHECK(site.access.check_days == 90);
    CHECK(site.access.biosecurity == Biosecurity::suspect);
    auto const& probe = after.probes[0];
    CHECK(probe.id == "p1");
    CHECK_FALSE(probe.line);
    CHECK(probe.use == Use::control);
    CHECK(probe.serial == "GX-1");
    CHECK(probe.membrane == "cap-25um");
    CHECK(probe.t90_s == 40.0);
    CHECK(probe.transmitter_salinity_psu == 0.0);
    CHECK(probe.neighbours == std::vector<ProbeIndex>{1});
    CHECK(probe.limits.t90_ratio == 2.5);
    CHECK(probe.limits.horizon_days == 7.0);
    CHECK(probe.limits.reference_mg_l == 0.25);
    CHECK(probe.limits.span_percent == 5.0);  // its pressure is measured, which the text does not say
    CHECK(site_as_toml(after, 0) == text);
}

TEST_CASE("every example's sites survive being written", "[fleet]") {
    for (auto const* example :
         {"hatchery", "pond-farm", "wastewater-continuous", "wastewater-intermittent"}) {
        CAPTURE(example);
        auto const fleet = loaded(text_of(fmt::format("{}/config/{}.toml", PROBEKEEPER_SOURCE_DIR, example)));
        for (SiteIndex site = 0; site < fleet.sites.size(); ++site) {
            auto const text = site_as_toml(fleet, site);
            CHECK(site_as_toml(loaded(text), 0) == text);
        }
    }
}

TEST_CASE("a hub is told by 64 kbit/s unless it is written otherwise", "[fleet]") {
    auto const plain = loaded("[hub]\npostgresql = \"host=hub.example dbname=probekeeper user=mill\"\n");
    REQUIRE(plain.hub);
    CHECK(plain.hub->kilobits_per_s == 64.0);
    CHECK_FALSE(plain.hub->tls_off);
    auto const other = loaded(
        "[hub]\npostgresql = \"host=10.0.0.1 sslmode=disable\"\ntls = \"off\"\nkilobits_per_s = 500\n");
    CHECK(other.hub->kilobits_per_s == 500.0);
    CHECK(other.hub->tls_off);
    CHECK_FALSE(loaded("").hub);
}
