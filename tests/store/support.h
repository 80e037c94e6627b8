// A folder for one test, and values with every field set to something of its own.
#pragma once

#include <stdlib.h>

#include <spdlog/fmt/fmt.h>

#include <array>
#include <catch2/catch.hpp>
#include <filesystem>
#include <string>

#include "store/reader.h"
#include "store/store.h"

namespace probekeeper::store::test {

class Folder {
public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "probekeeper-store-XXXXXX").string();
        REQUIRE(mkdtemp(name.data()) != nullptr);
        path_ = name;
    }
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    Folder(Folder&&) = delete;
    [[nodiscard]] std::filesystem::path operator/(std::string const& name) const { return path_ / name; }

private:
    std::filesystem::path path_;
};

inline Timestamp const day_one = parse_rfc3339("2026-03-01T00:00:00Z").value();
inline std::vector<FleetProbe> const fleet{{"a-1", "a"}, {"a-2", "a"}, {"b-1", "b"}};

inline Reading reading_at(Timestamp time, double do_mg_l) {
    Reading r;
    r.time = time;
    r.do_mg_l = do_mg_l;
    return r;
}

inline bool same(double a, double b) {
    return a == b || (!is_read(a) && !is_read(b));
}

inline bool same(Reading const& a, Reading const& b) {
    return a.time == b.time && same(a.do_mg_l, b.do_mg_l) && same(a.do_percent, b.do_percent) &&
           same(a.po2_hpa, b.po2_hpa) && same(a.temperature_c, b.temperature_c) &&
           same(a.salinity_psu, b.salinity_psu) && same(a.pressure_hpa, b.pressure_hpa) &&
           same(a.airflow, b.airflow) && a.known == b.known && a.marks == b.marks;
}

inline PageRequest first(std::size_t limit) {
    return {limit, std::nullopt};
}

inline service::Ticket full_ticket(std::int64_t number) {
    service::Ticket t;
    t.site = "a";
    t.number = number;
    t.id = fmt::format("a-{}", number);
    t.probe = "a-1";
    t.state = service::State::planned;
    t.urgency = service::Urgency::this_week;
    t.opened_at = day_one + Millis{number};
    t.updated_at = day_one + Millis{1001};
    t.due = day_one + Millis{1002};
    t.postponed_until = day_one + Millis{1003};
    t.planned_for = std::chrono::year{2026} / 3 / 5;
    t.assigned_to = "t1";
    t.seen = day_one + Millis{1004};
    t.found = service::Found::as_diagnosed;
    service::TicketReason slow;
    slow.finding = {diagnosis::Reason::slow_response,
                    day_one + Millis{2000},
                    day_one + Millis{2001},
                    day_one + Millis{2002},
                    92.1,
                    84.0,
                    101.3,
                    82.0,
                    "s",
                    0.99,
                    "T90 is 92 s, 2.2 times its 41 s when freshly serviced"};
    slow.cleared_at = day_one + Millis{2003};
    service::TicketReason bare;
    bare.finding.reason = diagnosis::Reason::stuck;
    bare.finding.raised_at = day_one;
    t.reasons = {slow, bare};
    t.work = {"wipe_membrane", "lift_test"};
    t.meanwhile = "Control no faster than every 8 minutes: \"late\", not 'wrong'; \xC2\xB0";
    t.parts = {{"membrane", "cap-25um", 1}, {"electrolyte_ml", "", 5}};
    t.cautions = {"slippery"};
    t.history = {{day_one, service::State::open, "probekeeperd", "opened"},
                 {day_one + Millis{5}, service::State::planned, "someone", ""}};
    return t;
}

inline service::KeptRecord full_record(std::int64_t number, Timestamp time) {
    service::KeptRecord kept;
    kept.number = number;
    auto& r = kept.record;
    r.time = time;
    r.probe = "a-1";
    r.kind = service::Work::membrane_change;
    r.dry_zero_mg_l = 0.01;
    r.dry_zero_found_mg_l = 0.12;
    r.air_percent = 103.5;
    r.reference_mg_l = 8.1;
    r.reference_percent = 97.0;
    r.probe_mg_l = 7.9;
    r.pressure_hpa = 1009.5;
    r.serial = "GX-0417";
    r.visit = "v7";
    r.by = "t1";
    r.note = "=1+1";
    return kept;
}

}  // namespace probekeeper::store::test
