#include "notify/messages.h"

#include <algorithm>
#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>
#include <set>

namespace probekeeper::notify {
namespace {

using service::State;
using service::Urgency;

// 13:00 in Berlin.
auto const noon = parse_rfc3339("2026-03-01T12:00:00Z").value();

struct Estate : fleet::Fleet {
    std::vector<fleet::NoticeSettings> receivers;
};

Estate fleet_with(fleet::NoticeSettings settings) {
    Estate fleet;
    fleet.sites.resize(2);
    fleet.sites[0].id = "farm";
    fleet.sites[0].name = "The farm";
    fleet.sites[0].time_zone = "Europe/Berlin";
    fleet.sites[1].id = "works";
    fleet.probes.resize(2);
    fleet.probes[0].id = "tank-1";
    fleet.probes[0].use = fleet::Use::alarm;
    fleet.probes[1].id = "tank-2";
    fleet.probes[1].site = 1;
    fleet.lines.resize(2);
    fleet.lines[0].id = "farm-a";
    for (unsigned i = 0; i < 2; ++i) {
        fleet.lines[i].site = i;
        fleet.probes[i].line = i;
    }
    settings.id = "duty";
    fleet.receivers.push_back(std::move(settings));
    return fleet;
}

service::Ticket ticket(Urgency urgency = Urgency::this_week, std::string probe = "tank-1") {
    service::Ticket out;
    out.id = "farm-7";
    out.number = 7;
    out.site = "farm";
    out.probe = std::move(probe);
    out.urgency = urgency;
    out.opened_at = out.updated_at = noon;
    out.meanwhile = "Wait.";
    out.reasons.resize(1);
    out.reasons[0].finding.reason = diagnosis::Reason::slow_response;
    out.reasons[0].finding.text = "T90 is 92 s";
    out.history.push_back({noon, State::open, "probekeeperd", "opened: T90 is 92 s"});
    return out;
}

store::Notice one(Estate const& fleet, service::Ticket const& about, Timestamp now = noon) {
    auto const made = of_ticket(fleet, fleet.receivers, about, 0, now);
    REQUIRE(made.size() == 1);
    return made[0];
}

TEST_CASE("a ticket's step is one message whose id is the same however often it is made",
          "[notify][messages]") {
    auto const fleet = fleet_with({});
    auto moved = ticket();
    auto const first = one(fleet, moved);
    CHECK(first.id == "duty/farm-7/0");
    CHECK(first.digest.empty());
    CHECK(first.not_before == noon);
    moved.history.push_back({noon + Millis{1}, State::acknowledged, "anna", "on it"});
    auto const made = of_ticket(fleet, fleet.receivers, moved, 1, noon);
    REQUIRE(made.size() == 1);
    CHECK(made[0].id == "duty/farm-7/1");
    auto const document = boost::json::parse(made[0].document).as_object();
    CHECK(document.at("step") == "acknowledged");
    CHECK(document.at("note") == "on it");
    CHECK(document.at("ticket").as_object().at("id") == "farm-7");
    CHECK(one(fleet, ticket()).id == first.id);
}

TEST_CASE("who asks for a site, reason, urgency or use is told of no other", "[notify][messages]") {
    auto const told = [](fleet::NoticeSettings settings) {
        auto const fleet = fleet_with(std::move(settings));
        return of_ticket(fleet, fleet.receivers, ticket(), 0, noon).size();
    };
    fleet::NoticeSettings s;
    s.sites = {"farm"};
    s.reasons = {"background", "slow_response"};
    s.urgencies = {"this_week"};
    s.uses = {"alarm"};
    CHECK(told(s) == 1);
    auto other = s;
    other.sites = {"works"};
    CHECK(told(other) == 0);
    other = s;
    other.reasons = {"background"};
    CHECK(told(other) == 0);
    other = s;
    other.urgencies = {"now"};
    CHECK(told(other) == 0);
    other = s;
    other.uses = {"monitor"};
    CHECK(told(other) == 0);
}

TEST_CASE("quiet hours are those of the site's clock, over midnight and when clocks change",
          "[notify][messages]") {
    fleet::NoticeSettings quiet;
    quiet.quiet = fleet::Hours{std::chrono::hours{22}, std::chrono::hours{6}};
    auto const fleet = fleet_with(quiet);
    auto const held_until = [&](char const* now) {
        return to_rfc3339(one(fleet, ticket(), parse_rfc3339(now).value()).not_before);
    };
    CHECK(held_until("2026-03-01T20:59:59Z") == "2026-03-01T20:59:59.000Z");  // 21:59:59
    CHECK(held_until("2026-03-01T21:00:00Z") == "2026-03-02T05:00:00.000Z");
    CHECK(held_until("2026-03-02T04:59:59Z") == "2026-03-02T05:00:00.000Z");
    CHECK(held_until("2026-03-02T05:00:00Z") == "2026-03-02T05:00:00.000Z");
    CHECK(held_until("2026-03-28T22:00:00Z") == "2026-03-29T04:00:00.000Z");  // summer time begins that night
    auto const a = one(fleet, ticket(), parse_rfc3339("2026-03-01T21:00:00Z").value());
    auto const b = one(fleet, ticket(), parse_rfc3339("2026-03-02T03:00:00Z").value());
    CHECK(!a.digest.empty());
    CHECK(a.digest == b.digest);
}

TEST_CASE("the failure of a control or alarm probe passes quiet hours and digest, what follows does not",
          "[notify][messages]") {
    fleet::NoticeSettings s;
    s.quiet = fleet::Hours{std::chrono::hours{0}, std::chrono::minutes{1439}};
    s.digest_at = std::chrono::hours{7};
    auto const fleet = fleet_with(s);
    auto failed = ticket(Urgency::now);
    CHECK(one(fleet, failed).not_before == noon);
    failed.history.push_back({noon, State::acknowledged, "anna", ""});
    CHECK(of_ticket(fleet, fleet.receivers, failed, 1, noon)[0].not_before > noon);
}

TEST_CASE("the rest comes once a day as one message with everything in it", "[notify][messages]") {
    fleet::NoticeSettings s;
    s.digest_at = std::chrono::hours{7};
    auto const fleet = fleet_with(s);
    auto moved = ticket();
    moved.history.push_back({noon, State::acknowledged, "anna", ""});
    auto const items = of_ticket(fleet, fleet.receivers, moved, 0, noon);
    REQUIRE(items.size() == 2);
    CHECK(to_rfc3339(items[0].not_before) == "2026-03-02T06:00:00.000Z");
    auto const digest = digest_of(items, items[0].not_before);
    CHECK(digest.id == digest_of(items, items[0].not_before).id);
    CHECK(digest.digest.empty());
    auto const document = boost::json::parse(digest.document).as_object();
    CHECK(document.at("id").as_string() == digest.id.c_str());
    REQUIRE(document.at("items").as_array().size() == 2);
    CHECK(document.at("items").as_array()[1].as_object().at("step") == "acknowledged");
    CHECK(digest.text.find("low-oxygen alarm") == digest.text.rfind("low-oxygen alarm"));
}

TEST_CASE("reasons that come and go on a ticket are no message, one that joins at night is",
          "[notify][messages]") {
    fleet::NoticeSettings s;
    s.quiet = fleet::Hours{std::chrono::hours{0}, std::chrono::minutes{1439}};
    auto const fleet = fleet_with(s);
    auto moved = ticket(Urgency::now);
    moved.history.push_back({noon, State::acknowledged, "anna", ""});
    moved.history.push_back({noon, State::acknowledged, "probekeeperd", "cleared: slow_response"});
    moved.history.push_back({noon, State::acknowledged, "probekeeperd", "stands again: T90 is 92 s"});
    moved.history.push_back({noon, State::acknowledged, "probekeeperd", "joined: reads zero"});
    moved.history.push_back({noon, State::acknowledged, "anna", "postponed until tomorrow"});
    auto const made = of_ticket(fleet, fleet.receivers, moved, 1, noon);
    REQUIRE(made.size() == 3);
    CHECK(made[0].id == "duty/farm-7/1");
    CHECK(made[0].not_before > noon);
    CHECK(made[1].id == "duty/farm-7/4");
    CHECK(made[1].not_before == noon);
    CHECK(made[2].id == "duty/farm-7/5");
    CHECK(made[2].not_before > noon);
}

TEST_CASE("an outage is one message a receiver, and passes where control or alarm hangs on it",
          "[notify][messages]") {
    fleet::NoticeSettings s;
    s.digest_at = std::chrono::hours{7};
    auto const fleet = fleet_with(s);
    auto const made =
        of_outage(fleet, fleet.receivers, {0, std::nullopt, noon, false}, noon + std::chrono::minutes{15});
    REQUIRE(made.size() == 1);
    CHECK(made[0].id == "duty/outage/farm/" + std::to_string(to_unix_ms(noon)));
    CHECK(made[0].not_before == noon + std::chrono::minutes{15});
    auto const over =
        of_outage(fleet, fleet.receivers, {0, std::nullopt, noon, true}, noon + std::chrono::hours{1});
    CHECK(over[0].id == made[0].id + "/over");
    CHECK(over[0].not_before > noon + std::chrono::hours{1});
    auto const unimportant = of_outage(fleet, fleet.receivers, {1, std::nullopt, noon, false}, noon);
    CHECK(unimportant[0].not_before > noon);
}

TEST_CASE("an outage is told to who asks for lost communication, and of probes of that use",
          "[notify][messages]") {
    auto const told = [](fleet::NoticeSettings settings, fleet::SiteIndex site) {
        auto const fleet = fleet_with(std::move(settings));
        return of_outage(fleet, fleet.receivers, {site, std::nullopt, noon, false}, noon).size();
    };
    fleet::NoticeSettings s;
    CHECK(told(s, 0) == 1);
    s.reasons = {"no_communication"};
    s.uses = {"alarm"};
    s.urgencies = {"now"};
    CHECK(told(s, 0) == 1);
    CHECK(told(s, 1) == 0);  // monitors only
    s.reasons = {"slow_response"};
    CHECK(told(s, 0) == 0);
}

TEST_CASE("a line that never gave a reading is said to have given none", "[notify][messages]") {
    auto const fleet = fleet_with({});
    auto const made = of_outage(fleet, fleet.receivers, {0, fleet::LineIndex{0}, Timestamp{}, false}, noon);
    REQUIRE(made.size() == 1);
    CHECK(made[0].text.find("no probe of line farm-a has ever given a reading") != std::string::npos);
    CHECK(boost::json::parse(made[0].document).as_object().at("since").is_null());
}

}  // namespace
}  // namespace probekeeper::notify
