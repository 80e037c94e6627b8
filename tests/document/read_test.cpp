// Documents read again: what the hub has of a site is documents, and it answers with the same.
#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>
#include <random>

#include "document/diagnosis.h"
#include "document/out_of_use.h"
#include "document/probe.h"
#include "document/record.h"
#include "document/round.h"
#include "document/site.h"
#include "document/ticket.h"
#include "document/write.h"

namespace json = boost::json;
using namespace probekeeper;

namespace {

// Values of every kind, with and without what may be missing.
class Any {
public:
    explicit Any(unsigned seed) : random_{seed} {}

    bool yes() { return below(2) == 1; }
    int below(int n) { return std::uniform_int_distribution{0, n - 1}(random_); }
    double number() { return (below(600'000'000) - 300'000'000) / 1e6; }
    Timestamp time() { return parse_rfc3339("2026-03-01T06:00:00Z").value() + Millis{below(1'000'000'000)}; }
    std::string text() { return yes() ? "" : "text \"" + std::to_string(below(1000)) + "\"\n\xC3\xA4 & <b>"; }
    template <typename Make>
    auto maybe(Make make) {
        return yes() ? std::optional<decltype(make())>{make()} : std::nullopt;
    }
    template <typename Make>
    auto several(Make make) {
        std::vector<decltype(make())> all;
        for (int i = below(4); i > 0; --i) {
            all.push_back(make());
        }
        return all;
    }
    std::optional<double> maybe_number() {
        return maybe([&] { return number(); });
    }
    std::optional<Timestamp> maybe_time() {
        return maybe([&] { return time(); });
    }
    template <typename Enum>
    Enum one_of(Enum last) {
        return static_cast<Enum>(below(static_cast<int>(last) + 1));
    }

private:
    std::mt19937 random_;
};

service::Ticket any_ticket(Any& any) {
    service::Ticket t;
    t.id = "saltmarsh-17";
    t.number = 17;
    t.site = "saltmarsh";
    t.probe = "saltmarsh-tank-1";
    t.state = any.one_of(service::State::withdrawn);
    t.urgency = any.one_of(service::Urgency::next_visit);
    t.opened_at = any.time();
    t.updated_at = any.time();
    t.due = any.maybe_time();
    t.postponed_until = any.maybe_time();
    t.planned_for = any.maybe([&] { return Date{std::chrono::floor<std::chrono::days>(any.time())}; });
    t.assigned_to = any.maybe([] { return std::string{"t1"}; });
    t.seen = any.maybe_time();
    t.found = any.maybe([&] { return any.one_of(service::Found::not_looked); });
    t.reasons = any.several([&] {
        diagnosis::Finding f;
        f.reason = any.one_of(diagnosis::Reason::verification_due);
        f.raised_at = any.time();
        f.since = any.maybe_time();
        f.value = any.maybe_number();
        f.low = any.maybe_number();
        f.high = any.maybe_number();
        f.limit = any.maybe_number();
        f.unit = any.text();
        f.probability = any.number();
        f.text = any.text();
        return service::TicketReason{f, any.maybe_time()};
    });
    t.work = any.several([&] { return any.text(); });
    t.meanwhile = any.text();
    t.parts = any.several([&] { return service::Part{"membrane", any.text(), any.below(9)}; });
    t.cautions = any.several([&] { return any.text(); });
    t.history = any.several([&] {
        return service::HistoryEntry{any.time(), any.one_of(service::State::withdrawn), any.text(),
                                     any.text()};
    });
    t.proof = any.maybe([&] {
        return service::Proof{any.time(), any.time(), any.yes(), any.text(), any.several([&] {
                                  return service::ProofFigure{"t90", any.maybe_number(), any.maybe_number(),
                                                              any.maybe_number(), "s"};
                              })};
    });
    return t;
}

service::KeptRecord any_record(Any& any) {
    service::KeptRecord kept;
    kept.number = any.below(1000);
    auto& r = kept.record;
    r.time = any.time();
    r.probe = "saltmarsh-tank-1";
    r.kind = any.one_of(service::Work::inspection);
    r.dry_zero_mg_l = any.maybe_number();
    r.dry_zero_found_mg_l = any.maybe_number();
    r.air_percent = any.maybe_number();
    r.reference_mg_l = any.maybe_number();
    r.reference_percent = any.maybe_number();
    r.probe_mg_l = any.maybe_number();
    r.pressure_hpa = any.maybe_number();
    r.serial = any.text();
    r.visit = any.text();
    r.by = any.text();
    r.note = any.text();
    if (any.yes()) {
        kept.voided_at = any.time();
        kept.void_why = any.text();
        kept.void_by = any.text();
    }
    return kept;
}

service::OutOfUse any_out_of_use(Any& any) {
    return {any.below(99), "saltmarsh",      any.maybe([] { return std::string{"saltmarsh-tank-1"}; }),
            any.time(),    any.maybe_time(), any.text(),
            any.text(),    any.time(),       any.text()};
}

diagnosis::ResponseTest any_test(Any& any) {
    diagnosis::ResponseTest t;
    t.time = any.time();
    t.source = any.one_of(diagnosis::TestSource::neighbour);
    t.model = any.one_of(diagnosis::ResponseModel::membrane);
    t.t90_s = any.number();
    t.low_s = any.number();
    t.high_s = any.number();
    t.at_temperature_c = any.maybe_number();
    t.t90_20_s = any.number();
    t.used = any.yes();
    t.set_aside = any.text();
    return t;
}

document::Probe any_probe(Any& any) {
    document::Probe p;
    p.id = "saltmarsh-tank-1";
    p.site = "saltmarsh";
    if (any.yes()) {
        p.line = "saltmarsh-a";
        p.unit = any.below(247);
    }
    p.location = any.text();
    p.use = any.one_of(fleet::Use::monitor);
    p.serial = any.text();
    p.condition = any.one_of(diagnosis::Condition::unknown);
    p.service_state = any.one_of(diagnosis::ServiceState::out_of_use);
    p.open_ticket = any.maybe([] { return std::string{"saltmarsh-17"}; });
    p.last_reading = any.maybe([&] {
        Reading r;
        r.time = any.time();
        r.do_mg_l = any.maybe_number().value_or(not_read);
        r.do_percent = any.maybe_number().value_or(not_read);
        r.temperature_c = any.maybe_number().value_or(not_read);
        r.marks = static_cast<std::uint16_t>(any.below(64));
        return r;
    });
    return p;
}

rounds::Round any_round(Any& any) {
    auto const day = [&] { return Date{std::chrono::floor<std::chrono::days>(any.time())}; };
    auto const texts = [&] { return any.several([&] { return any.text(); }); };
    auto const parts = [&] {
        return any.several([&] { return service::Part{"membrane", any.text(), any.below(9)}; });
    };
    rounds::Round round;
    round.week = zone::parse_week("2026-W49").value();
    round.published_at = any.maybe_time();
    round.revision = any.below(9);
    round.differs = any.yes();
    round.technicians = any.several([&] {
        rounds::RoundTechnician technician{"t1", any.text(), "Europe/London", {}, parts()};
        technician.days = any.several([&] {
            rounds::RoundDay one;
            one.date = day();
            one.depart = any.time();
            one.home = any.time();
            one.drive_minutes = any.below(600);
            one.work_minutes = any.below(600);
            one.lead = any.text();
            one.stops = any.several([&] {
                rounds::RoundStop stop{"saltmarsh", any.text(), any.text(), any.text(),
                                       any.time(),  any.time(), {}};
                stop.jobs = any.several([&] {
                    rounds::RoundJob job;
                    job.probe = "saltmarsh-tank-1";
                    job.ticket = any.text();
                    job.location = any.text();
                    job.serial = any.text();
                    job.work = texts();
                    job.minutes = any.below(90);
                    job.why_now = any.text();
                    job.evidence = any.text();
                    job.pulled_forward = any.yes();
                    job.life_price = any.number();
                    job.parts = parts();
                    job.cautions = texts();
                    return job;
                });
                return stop;
            });
            return one;
        });
        return technician;
    });
    round.not_reached = any.several([&] { return rounds::NotReached{any.text(), "tank-1", any.text()}; });
    round.moved = any.several([&] { return rounds::Moved{"saltmarsh", "t1", "t2", any.time(), any.time()}; });
    round.price = any.number();
    round.bound = any.maybe_number();
    round.cut_short = any.yes();
    return round;
}

// Read and written again each is the same, and where a member is missing it is none.
template <typename Make, typename Read>
void check_both_ways(Make make, Read read) {
    auto const seed = GENERATE(range(1U, 41U));
    Any any{seed};
    CAPTURE(seed);
    auto const text = document::write(document::to_json(make(any)));
    auto const again = read(text);
    REQUIRE(again);
    CHECK(document::write(document::to_json(*again)) == text);
    auto const whole = json::parse(text).as_object();
    for (auto const& member : whole) {
        if (member.key() == "ne107" || member.key() == "technicians") {  // follow from the others
            continue;
        }
        CAPTURE(std::string{member.key()});
        auto less = whole;
        less.erase(member.key());
        CHECK_FALSE(read(document::write(less)));
    }
}

}  // namespace

TEST_CASE("a ticket's document is the ticket", "[document]") {
    check_both_ways(any_ticket, document::ticket_of);
}

TEST_CASE("a record's document is the record", "[document]") {
    check_both_ways(any_record, document::record_of);
}

TEST_CASE("being out of use is read as it was told", "[document]") {
    check_both_ways(any_out_of_use, document::out_of_use_of);
}

TEST_CASE("a response test's document is the test", "[document]") {
    check_both_ways(any_test, document::response_test_of);
}

TEST_CASE("a probe's document is the probe", "[document]") {
    check_both_ways(any_probe, [](std::string_view text) { return document::probe_of(text); });
}

TEST_CASE("a round's document is the round", "[document]") {
    check_both_ways(any_round, document::round_of);
}

TEST_CASE("a site's document says what it was configured with", "[document]") {
    fleet::Site facts;
    facts.id = "saltmarsh";
    facts.name = "Saltmarsh hatchery";
    facts.kind = fleet::SiteKind::wastewater;
    facts.latitude = 54.123456789;
    facts.longitude = -3.0;
    facts.altitude_m = 4.0;
    facts.salinity_psu = 31.0;
    facts.time_zone = "Europe/London";
    if (GENERATE(true, false)) {
        facts.pressure_hpa = 1013.25;
        facts.address = "Shore road 1";
    }
    document::Site site{facts, {1, 2, 0, 0, 3, 4}};
    auto const text = document::write(document::to_json(site));
    auto const again = document::site_facts_of(text);
    REQUIRE(again);
    CHECK(document::write(document::to_json(document::Site{*again, site.probes})) == text);
}

TEST_CASE("what is no document of ours is none", "[document]") {
    for (auto const* text : {"", "null", "[]", "{}", "{\"id\":", "17", "{\"id\":\"a\",\"number\":\"b\"}"}) {
        CAPTURE(text);
        CHECK_FALSE(document::ticket_of(text));
        CHECK_FALSE(document::record_of(text));
        CHECK_FALSE(document::out_of_use_of(text));
        CHECK_FALSE(document::response_test_of(text));
        CHECK_FALSE(document::probe_of(text));
        CHECK_FALSE(document::site_facts_of(text));
        CHECK_FALSE(document::round_of(text));
    }
}
