// The judge itself: a fleet is the same for the same seed, its truth agrees with its readings, and the
// scoring counts as its header says.
#include <unistd.h>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "faults.h"
#include "plan.h"
#include "report.h"
#include "score.h"
#include "simulate.h"

using namespace probekeeper;
using namespace probekeeper::backtest;

namespace {

struct Folder {
    std::filesystem::path path;
    explicit Folder(std::string const& name)
        : path{std::filesystem::temp_directory_path() /
               (name + "-" + std::to_string(Catch::rngSeed()) + "-" + std::to_string(::getpid()))} {
        std::filesystem::create_directories(path);
    }
    ~Folder() { std::filesystem::remove_all(path); }
    Folder(Folder&&) = delete;
};

std::string content(std::filesystem::path const& file) {
    std::ifstream in{file, std::ios::binary};
    std::stringstream text;
    text << in.rdbuf();
    return text.str();
}

std::vector<std::string> cells(std::string const& line) {
    std::vector<std::string> list(1);
    for (char const c : line) {
        if (c == ',') {
            list.emplace_back();
        } else {
            list.back().push_back(c);
        }
    }
    return list;
}

Timestamp const start = *parse_rfc3339("2026-03-01T00:00:00Z");

ProbeTruth slow_probe() {
    ProbeTruth p;
    p.id = "p";
    p.fleet = "pond";
    p.faults.push_back({"coating", {"slow_response"}, {}, start + days(20), start + days(20), SeenIn::tests});
    p.course = {{start, 40.0, 0.0}, {start + days(40), 120.0, 0.2}};
    return p;
}

// What is told of the one fault of a probe where its run showed this.
Fault told(ProbeTruth const& probe, Evidence const& evidence) {
    FleetPlan plan;
    plan.start = start;
    plan.days = 40.0;
    ProbePlan planned;
    planned.truth = probe;
    planned.lives = {Life{}};
    plan.probes = {planned};
    return truth_of(plan, Lived{0, {evidence}}, "pond", 1).probes[0].faults[0];
}

Score score_of(ProbeTruth const& probe, std::vector<SaidReason> const& reasons, double run_days = 40.0) {
    return score({"pond", 1, start, start + days(run_days), {probe}}, {reasons, {}});
}

SaidReason said(std::string const& code, double day) {
    return {"p", "t-1", code, "", start + days(day)};
}

// `act(plan, probe, fault)` of every fault in so many fleets of twenty probes and forty days.
template <typename Act>
void for_faults(std::string const& fleet, std::uint64_t seeds, Act act) {
    for (std::uint64_t seed = 1; seed <= seeds; ++seed) {
        auto const plan = plan_fleet(seed, fleet, 20, 40.0);
        for (auto const& probe : plan.probes) {
            for (auto const& fault : probe.truth.faults) {
                CAPTURE(seed, probe.truth.id, fault.kind);
                act(plan, probe, fault);
            }
        }
    }
}

double day_of(FleetPlan const& plan, Timestamp time) {
    return seconds_between(plan.start, time) / 86'400.0;
}

}  // namespace

TEST_CASE("the same seed gives the same fleet, byte for byte", "[judge]") {
    auto const fleet = GENERATE(as<std::string>{}, "intermittent", "continuous", "fish", "pond", "mixed");
    Folder const one{"judge-one"};
    Folder const two{"judge-two"};
    for (auto const* folder : {&one, &two}) {
        auto const plan = plan_fleet(77, fleet, 4, 6.0);
        auto const lived = simulate(plan, folder->path);
        write_truth(folder->path / "truth.json", truth_of(plan, lived, fleet, 77));
    }
    for (auto const* name : {"readings.csv", "service.csv", "config.toml", "truth.json"}) {
        CAPTURE(fleet, name);
        auto const text = content(one.path / name);
        CHECK(text.size() > 100);
        CHECK((text == content(two.path / name)));
    }
}

TEST_CASE("rows are in time order to within five minutes", "[judge]") {
    Folder const folder{"judge-order"};
    auto const lived = simulate(plan_fleet(5, "mixed", 8, 8.0), folder.path);
    std::ifstream in{folder.path / "readings.csv"};
    std::string line;
    std::getline(in, line);
    auto const columns = cells(line).size();
    Timestamp newest{};
    std::size_t rows = 0;
    bool tidy = true;
    while (std::getline(in, line)) {
        auto const row = cells(line);
        auto const time = parse_rfc3339(row.at(0));
        tidy = tidy && row.size() == columns && time && newest - *time < std::chrono::minutes{5};
        newest = std::max(newest, time.value_or(newest));
        ++rows;
    }
    CHECK(tidy);
    CHECK(rows == lived.rows);
    CHECK(rows > 100'000);
}

TEST_CASE("faults pass their limits inside the run, about half of the probes having one", "[judge]") {
    int probes = 0;
    int due = 0;
    for (std::uint64_t seed = 1; seed <= 10; ++seed) {
        auto const plan = plan_fleet(seed, "mixed", 20, 40.0);
        for (auto const& probe : plan.probes) {
            ++probes;
            for (auto const& fault : probe.truth.faults) {
                double const day = seconds_between(plan.start, fault.crossing) / 86'400.0;
                CAPTURE(seed, probe.truth.id, fault.kind, day);
                CHECK(day > 10.0);
                CHECK((day < 36.0 || (fault.kind == "coating" && day > 40.0)));
                CHECK(fault.visible >= fault.crossing);
                due += day < 36.0 ? 1 : 0;
            }
        }
    }
    CHECK(due > 0.4 * probes);
    CHECK(due < 0.65 * probes);
}

TEST_CASE("a background is due once the output reads it above its limit, not while it rounds it down",
          "[judge]") {
    int seen = 0, late = 0;
    for_faults("intermittent", 8, [&](FleetPlan const& plan, ProbePlan const& probe, Fault const& fault) {
        double const day = day_of(plan, fault.visible);
        if (fault.kind != "background" || day >= plan.days) {
            return;
        }
        auto const& life = probe.lives.back();
        double const step = probe.transmitter.resolution_mg_l;
        double const held = life.ageing.wear_at(day - life.from_day).background_mg_l;
        CAPTURE(step, held);
        CHECK((step <= 2.0 * probe.probe.own_noise_mg_l || std::round(held / step + 1e-6) * step > 0.2));
        late += fault.visible - fault.crossing > std::chrono::hours{12} ? 1 : 0;
        ++seen;
    });
    CHECK(seen > 5);
    CHECK(late > 0);
}

TEST_CASE("to ask for a check of a slow probe is right where neither a bit nor a blast tests it", "[judge]") {
    int asked = 0, tested = 0;
    for_faults("intermittent", 40, [&](FleetPlan const& plan, ProbePlan const& probe, Fault const& fault) {
        if (fault.named_by.front() == "slow_response") {
            auto const& also = fault.also_true;
            bool const may_ask = std::find(also.begin(), also.end(), "verification_due") != also.end();
            CHECK(may_ask == (!probe.cleaner && !plan.sites[probe.site].gives_aeration));
            ++(may_ask ? asked : tested);
        }
    });
    CHECK(asked > 0);
    CHECK(tested > 0);
}

TEST_CASE("a background that dry zeros tell is due once one is written down as above its limit", "[judge]") {
    int due = 0, later = 0;
    for_faults("fish", 20, [&](FleetPlan const& plan, ProbePlan const& probe, Fault const& fault) {
        double const day = day_of(plan, fault.visible);
        if (fault.kind != "background" || day >= plan.days) {
            return;
        }
        auto const& life = probe.lives.back();
        double const zero = life.ageing.wear_at(day - life.from_day).background_mg_l;
        CAPTURE(zero);
        CHECK(std::round(100.0 * zero) > 10.0);
        // One before, past the limit in truth but not on paper.
        double const from = day_of(plan, fault.crossing) + 0.5;
        later += std::any_of(probe.visits.begin(), probe.visits.end(), [&](Visit const& v) {
            return v.kind == VisitKind::dry_zero && v.day > from && v.day < day - 0.5;
        });
        ++due;
    });
    CHECK(due > 5);
    CHECK(later > 0);
}

TEST_CASE("a dry zero whose noise hid the background on paper shows nothing yet", "[judge]") {
    int seen = 0;
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        auto const plan = plan_fleet(seed, "fish", 20, 40.0);
        for (std::size_t i = 0; i < plan.probes.size(); ++i) {
            for (std::size_t k = 0; k < plan.probes[i].truth.faults.size(); ++k) {
                auto const& fault = plan.probes[i].truth.faults[k];
                double const day = seconds_between(plan.start, fault.visible) / 86'400.0;
                if (fault.kind != "background" || day > 30.0) {
                    continue;
                }
                Lived lived{0, std::vector<Evidence>(plan.probes.size())};
                auto const of = [&] {
                    return truth_of(plan, lived, "fish", seed).probes[i].faults[k].visible;
                };
                CHECK(of() >= plan.start + days(40.0));
                lived.evidence[i].zeros = {day - 7.0, day + 7.0};
                CHECK(seconds_between(of(), fault.visible + days(7.0)) == Approx(0.0).margin(1.0));
                ++seen;
            }
        }
    }
    CHECK(seen > 3);
}

TEST_CASE("what only a reading in air tells is not due where that cannot be told from the readings",
          "[judge]") {
    int hidden_count = 0, open = 0;
    for_faults("fish", 40, [&](FleetPlan const& plan, ProbePlan const& probe, Fault const& fault) {
        if (fault.kind == "bad_service") {
            // Of a blast that no bit declares and hardly a reading falls into, nobody knows the length.
            bool const timed =
                probe.gives_cleaning || probe.truth.poll_s < 0.5 * probe.cleaner.value().blast_s;
            bool const hidden = !timed || probe.transmitter.freezes_while_cleaning ||
                                (!probe.gives_temperature && !plan.in_percent);
            CHECK((fault.visible > plan.start + days(40.0)) == hidden);
            ++(hidden ? hidden_count : open);
        }
    });
    CHECK(hidden_count > 0);
    CHECK(open > 0);
}

TEST_CASE("slow probes are as slow as their crossing says", "[judge]") {
    auto const plan = plan_fleet(3, "intermittent", 40, 40.0);
    int seen = 0;
    int open = 0;
    for (auto const& probe : plan.probes) {
        for (auto const& fault : probe.truth.faults) {
            if (fault.named_by.front() == "slow_response") {
                double const day = seconds_between(plan.start, fault.crossing) / 86'400.0;
                // Nobody can know a fresh value of which the run holds no new membrane: either limit may be
                // told.
                double const ratio = probe.truth.t90_limit_ratio;
                auto const [low, high] =
                    std::minmax({ratio * probe.truth.fresh_t90_20_s, ratio * probe.configured_t90_s});
                bool const learned = probe.lives.size() > 1;
                double const limit = learned ? ratio * probe.truth.fresh_t90_20_s : low;
                CHECK(true_t90_20_s(probe, day) == Approx(limit).epsilon(0.02));
                CHECK(true_t90_20_s(probe, day - 2.0) < limit);
                double const visible = seconds_between(plan.start, fault.visible) / 86'400.0;
                CHECK(true_t90_20_s(probe, visible) == Approx(learned ? limit : high).epsilon(0.02));
                ++seen;
                open += learned ? 0 : 1;
            }
        }
    }
    CHECK(seen > 3);
    CHECK(open > 0);
}

TEST_CASE("an output that froze at zero may be named as a cell without a signal", "[judge]") {
    auto probe = slow_probe();
    probe.faults.front().kind = "stuck";
    probe.faults.front().named_by = {"stuck"};
    auto const named_by = [&](bool at_zero) {
        Evidence evidence;
        evidence.stuck_at_zero = at_zero;
        return told(probe, evidence).named_by;
    };
    CHECK(named_by(false) == std::vector<std::string>{"stuck"});
    CHECK(named_by(true) == std::vector<std::string>{"stuck", "no_signal"});
}

TEST_CASE("a zero is what an output writes as one", "[judge]") {
    CHECK(written_as_zero(-0.004, 0.01));
    CHECK_FALSE(written_as_zero(0.006, 0.01));
    CHECK(written_as_zero(0.004, 0.001));
    CHECK(written_as_zero(0.04, 0.1));
    CHECK_FALSE(written_as_zero(0.06, 0.1));
}

TEST_CASE("a fault is visible only from the second piece of evidence after its crossing", "[judge]") {
    auto const visible_day = [](std::vector<double> const& tests) {
        return seconds_between(start, told(slow_probe(), Evidence{tests, {}}).visible) / 86'400.0;
    };
    CHECK(visible_day({19.0, 21.0, 22.5, 24.0}) == Approx(22.5));
    CHECK(visible_day({19.0, 21.0}) == Approx(40.0));
}

TEST_CASE("truth is written and read back whole", "[judge]") {
    Folder const folder{"judge-truth"};
    auto const plan = plan_fleet(9, "fish", 6, 30.0);
    auto const written = truth_of(plan, Lived{0, std::vector<Evidence>(plan.probes.size())}, "fish", 9);
    write_truth(folder.path / "truth.json", written);
    auto const read = read_truth(folder.path / "truth.json");
    CHECK(read.seed == 9);
    CHECK(read.end == written.end);
    REQUIRE(read.probes.size() == written.probes.size());
    for (std::size_t i = 0; i < read.probes.size(); ++i) {
        CHECK(read.probes[i].id == written.probes[i].id);
        CHECK(read.probes[i].testable == written.probes[i].testable);
        CHECK(read.probes[i].course.size() == written.probes[i].course.size());
        CHECK(read.probes[i].course.back().t90_20_s ==
              Approx(written.probes[i].course.back().t90_20_s).epsilon(1e-12));
        REQUIRE(read.probes[i].faults.size() == written.probes[i].faults.size());
        for (std::size_t f = 0; f < read.probes[i].faults.size(); ++f) {
            CHECK(read.probes[i].faults[f].crossing == written.probes[i].faults[f].crossing);
            CHECK(read.probes[i].faults[f].named_by == written.probes[i].faults[f].named_by);
        }
    }
}

TEST_CASE("a slow probe is named from two weeks before its crossing to three days after", "[judge][score]") {
    struct Case {
        double day;
        Outcome outcome;
        std::size_t mistakes;
    };
    auto const c = GENERATE(Case{6.5, Outcome::named, 0}, Case{22.9, Outcome::named, 0},
                            Case{23.1, Outcome::late, 0}, Case{5.5, Outcome::missed, 1});
    CAPTURE(c.day);
    auto const result = score_of(slow_probe(), {said("slow_response", c.day)});
    CHECK(result.faults.at(0).outcome == c.outcome);
    CHECK(result.mistakes.size() == c.mistakes);
}

TEST_CASE("a fault whose three days end after the run is not due", "[judge][score]") {
    CHECK(score_of(slow_probe(), {}, 22.0).faults.at(0).outcome == Outcome::not_due);
    CHECK(score_of(slow_probe(), {}, 24.0).faults.at(0).outcome == Outcome::missed);
}

TEST_CASE("another reason is false before anything is wrong, and wrong after", "[judge][score]") {
    auto const early = score_of(slow_probe(), {said("stuck", 2.0)});
    REQUIRE(early.mistakes.size() == 1);
    CHECK(early.mistakes[0].mistake == Mistake::false_alarm);
    auto const later = score_of(slow_probe(), {said("stuck", 21.0)});
    REQUIRE(later.mistakes.size() == 1);
    CHECK(later.mistakes[0].mistake == Mistake::wrong_reason);
}

TEST_CASE("a due verification is right only where the readings hold no test", "[judge][score]") {
    auto probe = slow_probe();
    probe.faults.clear();
    CHECK(score_of(probe, {said("verification_due", 31.0)}).mistakes.size() == 1);
    probe.testable = false;
    CHECK(score_of(probe, {said("verification_due", 31.0)}).mistakes.empty());
}

TEST_CASE("clean time ends where a fault may first be named", "[judge][score]") {
    auto const result = score_of(slow_probe(), {});
    CHECK(result.exposures.at(0).clean_years == Approx(6.0 / 365.25));
}

TEST_CASE("estimates are held against the truth at their own time", "[judge][score]") {
    SaidState state;
    state.t90 = SaidValue{82.0, 78.0, 90.0, start + days(20)};
    state.background = SaidValue{0.3, 0.25, 0.35, start + days(20)};
    Said const all{{}, {{"p", state}}};
    auto const result = score({"pond", 1, start, start + days(40), {slow_probe()}}, all);
    REQUIRE(result.t90.size() == 1);
    CHECK(result.t90[0].truth == Approx(80.0));
    CHECK(result.t90[0].covered());
    REQUIRE(result.background.size() == 1);
    CHECK(result.background[0].truth == Approx(0.1));
    CHECK_FALSE(result.background[0].covered());
}

TEST_CASE("a report sums up each water and all of them", "[judge][score]") {
    auto const lines = json_lines(score_of(slow_probe(), {said("slow_response", 21.0), said("stuck", 2.0)}));
    CHECK(lines.find("\"outcome\":\"named\"") != std::string::npos);
    CHECK(lines.find("\"type\":\"false_alarm\"") != std::string::npos);
    CHECK(lines.find("\"fleet\":\"all\",\"due\":1,\"named\":1") != std::string::npos);
    auto const text = tables(score_of(slow_probe(), {}));
    CHECK(text.find("slow_response") != std::string::npos);
    CHECK(text.find("0 %") != std::string::npos);
}

TEST_CASE("a good service must be verified, a botched one told again", "[judge]") {
    FleetTruth truth{"fish", 1, start, start + days(40), {slow_probe()}};
    truth.probes[0].service = ServiceTruth{start + days(20), "good", GENERATE(true, false)};
    bool const good = truth.probes[0].service->good;
    auto const state = GENERATE(as<std::string>{}, "verified", "open", "serviced");
    CAPTURE(good, state);
    Said s;
    s.tickets.push_back({"t-1",
                         truth.probes[0].id,
                         start + days(15),
                         {{start + days(15), "open", "probekeeperd"},
                          {start + days(20), "serviced", "tech-1"},
                          {start + days(21), state, "probekeeperd"}}});
    auto const result = score(truth, s);
    REQUIRE(result.services.size() == 1);
    CHECK(result.services[0].ticketed);
    CHECK(result.services[0].right() == (state == (good ? "verified" : "open")));
    CHECK(result.services[0].opened_by_handling == 0);
}
