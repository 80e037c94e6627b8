#include "rounds/papers.h"

#include <catch2/catch.hpp>
#include <sstream>

#include "intake/service_csv.h"
#include "rounds/estate.h"

namespace probekeeper::rounds {
namespace {

using service::Urgency;

Round example() {
    auto fleet = small_estate();
    fleet.sites[0].name = "Salt & <Marsh>, \"north\"; pond";
    fleet.sites[0].access_notes = "=Gate code\nask at the office";
    fleet.probes[0].location = "tank 1 <script>alert(1)</script>";
    SearchSettings settings;
    settings.iterations = 500;
    return plan_round(
        fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z", {ticket_at("a", Urgency::this_week)}), settings);
}

bool has(std::string const& text, std::string const& part) {
    return text.find(part) != std::string::npos;
}

TEST_CASE("lines of a calendar fold at 75 octets, never inside a character", "[rounds][ics]") {
    auto const lengths = [](std::string const& line) {
        std::vector<std::size_t> result;
        std::istringstream in{folded(line)};
        for (std::string part; std::getline(in, part);) {
            CHECK(part.back() == '\r');
            result.push_back(part.size() - 1);
        }
        return result;
    };
    using Lengths = std::vector<std::size_t>;
    CHECK(lengths(std::string(75, 'A')) == Lengths{75});
    CHECK(lengths(std::string(76, 'A')) == Lengths{75, 2});
    CHECK(lengths(std::string(149, 'A')) == Lengths{75, 75});
    CHECK(lengths(std::string(150, 'A')) == Lengths{75, 75, 2});
    std::string accents = "SUMMARY:";
    for (int i = 0; i < 60; ++i) {
        accents += "é";
    }
    CHECK(lengths(accents) == Lengths{74, 55});
    CHECK(folded(std::string(200, '\x80')).size() > 200);  // no UTF-8: it still ends
}

TEST_CASE("a stop keeps its UID in a new plan, counts its changes, and is cancelled when it is gone",
          "[rounds][ics]") {
    auto const planned = example();
    auto const stamp = at("2026-11-27T13:00:00Z");
    CHECK(has(to_ics(planned, stamp), "STATUS:TENTATIVE\r\n"));
    auto told = planned;
    told.published_at = stamp;
    told.revision = 1;
    auto const first = to_ics(told, stamp);
    CHECK(has(first, "UID:2026-W49-a@probekeeper\r\n"));
    CHECK(has(first, "SEQUENCE:0\r\n"));
    CHECK(has(first, "DTSTAMP:20261127T130000Z\r\n"));
    CHECK(has(first, "STATUS:CONFIRMED\r\n"));
    CHECK(has(first, "Salt & <Marsh>\\, \"north\"\\; pond"));

    auto later = told;
    later.revision = 2;
    std::vector const once{told};
    auto const same = to_ics(later, stamp, once);
    CHECK(has(same, "SEQUENCE:0\r\n"));  // another visit changed, not this one
    CHECK_FALSE(has(same, "CANCELLED"));
    for (auto& technician : later.technicians) {
        for (auto& day : technician.days) {
            day.stops[0].arrive += std::chrono::minutes{20};
        }
    }
    CHECK(has(to_ics(later, stamp, once), "SEQUENCE:1\r\n"));

    auto gone = later;
    gone.revision = 3;
    for (auto& technician : gone.technicians) {
        technician.days.clear();
    }
    std::vector const twice{told, later};
    auto const cancelled = to_ics(gone, stamp, twice);
    CHECK(has(cancelled, "UID:2026-W49-a@probekeeper\r\n"));
    CHECK(has(cancelled, "STATUS:CANCELLED\r\n"));
    CHECK(has(cancelled, "SEQUENCE:2\r\n"));
    std::vector const thrice{told, later, gone};  // it stays cancelled, and does not count on by itself
    CHECK(has(to_ics(gone, stamp, thrice), "SEQUENCE:2\r\n"));
    CHECK(has(to_ics(told, stamp, thrice), "SEQUENCE:3\r\n"));
}

TEST_CASE("the form comes back: rows that got a time are records, and rows that did not are refused",
          "[rounds][csv]") {
    auto const fleet = small_estate();
    auto csv = to_csv(example());
    CHECK(csv.starts_with("time,probe,kind,"));
    auto const row = csv.find("\r\n,a-1,membrane_change");
    REQUIRE(row != std::string::npos);
    csv.insert(row + 2, "2026-11-30T10:00:00Z");
    int bad = 0;
    intake::CsvOptions options;
    options.bad_row = [&](auto const&...) { ++bad; };
    auto const records =
        intake::read_service_csv(std::make_unique<std::istringstream>(csv), fleet, std::move(options));
    REQUIRE(records.size() == 1);
    CHECK(records[0].kind == service::Work::membrane_change);
    CHECK(records[0].visit == "2026-11-30-a");
    CHECK(records[0].serial == "GX-1");
    CHECK(bad == 2);  // wipe and calibration, which nobody dated
}

TEST_CASE("a cell that a spreadsheet would calculate is protected and quoted", "[rounds][csv]") {
    auto round = example();
    for (auto& technician : round.technicians) {
        for (auto& day : technician.days) {
            day.stops[0].jobs[0].why_now = "=HYPERLINK(\"http://x\")\nnext";
        }
    }
    CHECK(has(to_csv(round), "\"'=HYPERLINK(\"\"http://x\"\") next\"\r\n"));
}

TEST_CASE("the sheet holds what a person needs, and nothing that a user wrote is markup", "[rounds][html]") {
    HtmlSettings settings;
    settings.chart = [](std::string const& probe) { return "<svg><title>" + probe + "</title></svg>"; };
    auto const html = to_html(example(), settings);
    for (auto const* part : {"Round 2026-W49",
                             "Technician t",
                             "2026-11-30",
                             "Europe/London",
                             "Salt &amp; &lt;Marsh&gt;",
                             "1 a Lane",
                             "=Gate code",
                             "tank 1 &lt;script&gt;",
                             "serial GX-1",
                             "T90 is 92 s",
                             "<svg><title>a-1</title></svg>",
                             "change membrane and O-ring",
                             "1 × membrane cap-25um",
                             "5 ml electrolyte",
                             "caustic",
                             "licensed practice",
                             "data-column=\"dry_zero_mg_l\"",
                             "data-column=\"air_percent\"",
                             "data-column=\"reference_mg_l\"",
                             "size: A4",
                             "Not published"}) {
        CAPTURE(part);
        CHECK(has(html, part));
    }
    CHECK(has(html, "<meta name=\"viewport\""));  // on a phone it is as wide as the phone
    auto const wanted = [](std::string const& text) {
        std::size_t count = 0;
        for (auto at = text.find("write wanted"); at != std::string::npos;
             at = text.find("write wanted", at + 1)) {
            ++count;
        }
        return count;
    };
    CHECK(wanted(html) ==
          4);  // dry zero, found and left, with the new membrane; air and pressure as it is calibrated
    CHECK(has(html, "Load for the week"));
    CHECK_FALSE(has(html, "Load for this day"));  // there is no other
    CHECK_FALSE(has(html, "<script"));
    CHECK_FALSE(has(html, "http"));  // nothing is loaded from elsewhere
}

TEST_CASE("two who go together have a sheet each, and one form between them", "[rounds][html]") {
    auto fleet = small_estate();
    fleet.sites[0].access.two_person = true;
    SearchSettings settings;
    settings.iterations = 500;
    auto const round = plan_round(
        fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z", {ticket_at("a", Urgency::this_week)}), settings);
    auto const html = to_html(round, {});
    CHECK(has(html, "<h1>Technician t1, Monday 2026-11-30"));
    CHECK(has(html, "<h1>Technician t2, Monday 2026-11-30"));
    CHECK(has(html, "Together with Technician t2."));
    CHECK(has(html, "Together with Technician t1."));
    CHECK(has(html, "are with Technician t1."));
    CHECK(html.find("data-column=\"time\"") == html.rfind("data-column=\"time\""));
    auto const second = only_of(round, "t2");
    REQUIRE(second.technicians.size() == 1);
    REQUIRE(second.technicians[0].days.size() == 1);
    CHECK(second.technicians[0].load.empty());
    CHECK(to_csv(second).find("a-1") == std::string::npos);
    CHECK(to_csv(only_of(round, "t1")) == to_csv(round));
    CHECK(to_html(second, {}).find("Technician t1, Monday") == std::string::npos);
    CHECK(has(to_html(second, {}), "Together with Technician t1."));  // by name, though the round is of one
    CHECK(has(to_html(only_of(round, "t1"), {}), "Together with Technician t2."));
    auto const stamp = at("2026-11-27T12:00:00Z");
    CHECK(has(to_ics(second, stamp), "UID:2026-W49-a@probekeeper"));
    CHECK(has(to_ics(second, stamp), "Together with Technician t1."));
    auto alone = round;
    alone.technicians[0].days[0].with.clear();
    std::vector const told{round};
    CHECK(has(to_ics(round, stamp, told), "SEQUENCE:0\r\n"));
    CHECK(has(to_ics(alone, stamp, told), "SEQUENCE:1\r\n"));  // who goes along is news to both
}

}  // namespace
}  // namespace probekeeper::rounds
