// A restart changes no bit of any result.
#include <catch2/catch.hpp>
#include <map>

#include "diagnosis/bench.h"
#include "diagnosis/seal.h"
#include "physics/cleaning.h"
#include "physics/probe.h"
#include "physics/transmitter.h"
#include "physics/water.h"

namespace probekeeper::diagnosis::test {
namespace {

std::string bits(double v) {
    return fmt::format("{:a}", v);
}
std::string bits(std::optional<double> v) {
    return v ? bits(*v) : "-";
}
std::string bits(Timestamp t) {
    return std::to_string(to_unix_ms(t));
}
std::string bits(std::optional<Timestamp> t) {
    return t ? bits(*t) : "-";
}

std::string text_of(ResponseTest const& t) {
    return fmt::format("{} {} {} {} {} {} {} {} {} '{}'", bits(t.time), to_word(t.source), to_word(t.model),
                       bits(t.t90_s), bits(t.low_s), bits(t.high_s), bits(t.at_temperature_c),
                       bits(t.t90_20_s), t.used, t.set_aside);
}

std::string text_of(Finding const& f) {
    return fmt::format("{} {} {} {} {} {} {} {} {} {} '{}'", to_word(f.reason), bits(f.raised_at),
                       bits(f.since), bits(f.due), bits(f.value), bits(f.low), bits(f.high), bits(f.limit),
                       f.unit, bits(f.probability), f.text);
}

// Every field, numbers to their last bit.
std::string text_of(Diagnosis const& d) {
    std::string text = fmt::format("{} {}", bits(d.at), to_word(d.condition));
    if (d.t90) {
        text += fmt::format(" t90 {} {} {} {} {} {} {} {}", bits(d.t90->value_s), bits(d.t90->low_s),
                            bits(d.t90->high_s), bits(d.t90->fresh_s), d.t90->fresh_learned,
                            bits(d.t90->ratio), d.t90->tests, bits(d.t90->at));
    }
    if (d.background) {
        text += fmt::format(" background {} {} {} {} {}", bits(d.background->value_mg_l),
                            bits(d.background->low_mg_l), bits(d.background->high_mg_l),
                            static_cast<int>(d.background->source), bits(d.background->at));
    }
    if (d.fluctuation) {
        text += fmt::format(" fluctuation {} {} {} {} {}", bits(d.fluctuation->value_mg_l),
                            bits(d.fluctuation->fresh_mg_l), bits(d.fluctuation->ratio),
                            bits(d.fluctuation->shared_with_neighbours), bits(d.fluctuation->at));
    }
    if (d.span) {
        text += fmt::format(" span {} {} {}", bits(d.span->value_percent), static_cast<int>(d.span->source),
                            bits(d.span->at));
    }
    if (d.forecast) {
        text += fmt::format(" forecast {} {} {} {}", to_word(d.forecast->reason), bits(d.forecast->due),
                            bits(d.forecast->earliest), bits(d.forecast->latest));
    }
    text += fmt::format(" '{}' '{}' '{}' '{}' '{}' {}", d.t90_unknown, d.background_unknown,
                        d.fluctuation_unknown, d.span_unknown, d.next_evidence, to_word(d.service_state));
    for (auto const& f : d.findings) {
        text += "\n    " + text_of(f);
    }
    return text;
}

// Everything that is said of a site, in the order in which it is said.
class Log : public Listener {
public:
    void tested(std::size_t place, ResponseTest const& test) override {
        lines.push_back(fmt::format("{} test {}", place, text_of(test)));
    }
    void weighed(std::size_t place, Diagnosis const& diagnosis) override {
        lines.push_back(fmt::format("{} says {}", place, text_of(diagnosis)));
        for (auto const& finding : diagnosis.findings) {
            ++reasons[finding.reason];
        }
    }
    std::vector<std::string> lines;
    std::map<Reason, int> reasons;
};

struct Input {
    std::size_t place = 0;
    Reading reading;
    std::optional<Handling> handling;  // else the reading
};

// Four probes at two waters over three weeks: one ages quickly, one loses its electrolyte, one falls silent
// for a day, and people change, calibrate and check.
class Estate {
public:
    explicit Estate(std::uint64_t seed) : random_{seed} {
        for (auto kind : {physics::WaterKind::intermittent, physics::WaterKind::fish}) {
            tanks_.emplace_back(physics::typical_tank(kind, random_), random_.fork(10 + tanks_.size()));
        }
        physics::CleanerSettings const cleaner{6.0, 60.0, 0.02};
        for (std::uint64_t i = 0; i < 4; ++i) {
            probes_.push_back({physics::Probe{{}, random_.fork(20 + i)},
                               physics::Transmitter{{}, random_.fork(30 + i)},
                               physics::Cleaner{cleaner, random_.fork(40 + i)}});
        }
    }

    std::vector<Input> live(int for_days) {
        std::vector<Input> inputs;
        std::int64_t const step_s = 10, end_s = for_days * 86'400;
        for (std::int64_t s = 0; s < end_s; s += step_s) {
            double const day = static_cast<double>(s) / 86'400.0;
            auto const now = day_one + Millis{1000 * s};
            for (auto& tank : tanks_) {
                tank.step(static_cast<double>(step_s));
            }
            visits(s, now, inputs);
            for (std::size_t place = 0; place < probes_.size(); ++place) {
                wear(place, day);
                auto const reading = read(place, now, static_cast<double>(step_s));
                bool const silent = place == 3 && day > 9.0 && day < 10.0;
                if (!silent) {
                    inputs.push_back({place, reading, std::nullopt});
                }
            }
        }
        return inputs;
    }

    static SiteSetup setup() {
        auto site = site_of(4);
        for (std::size_t i = 0; i < 4; ++i) {
            site.probes[i].neighbours = {i ^ 1U};
            site.probes[i].line = i / 2;
            site.probes[i].limits.evidence_days = 6.0;
        }
        return site;
    }

private:
    struct Position {
        physics::Probe cell;
        physics::Transmitter transmitter;
        physics::Cleaner cleaner;
    };

    void wear(std::size_t place, double day) {
        auto& w = probes_[place].cell.wear();
        if (place == 0) {
            w.coating = std::exp2(std::min(day, 14.0) / 7.0);
            w.background_mg_l = 0.04 * day;
        }
        w.dry = place == 1 && day > 15.0;
    }
    void visits(std::int64_t s, Timestamp now, std::vector<Input>& inputs) {
        auto const visit = [&](std::size_t place, Act act) -> Handling& {
            Handling h;
            h.time = now;
            h.act = act;
            inputs.push_back({place, {}, h});
            return *inputs.back().handling;
        };
        if (s == 2 * 86'400) {
            visit(1, Act::membrane_change);
            visit(2, Act::membrane_change).dry_zero_mg_l = 0.02;
        } else if (s == 5 * 86'400) {
            visit(2, Act::membrane_wipe);
            visit(3, Act::air_calibration).air_percent = 104.0;
        } else if (s == 12 * 86'400) {
            auto& check = visit(3, Act::reference_check);
            check.probe_mg_l = 7.0;
            check.reference_mg_l = 8.2;
        }
    }
    Reading read(std::size_t place, Timestamp now, double step_s) {
        auto& p = probes_[place];
        auto const& water = tanks_[place / 2].state();
        bool const blast = p.cleaner.step(step_s);
        p.cell.step(step_s, water, blast ? physics::Place::air : physics::Place::water);
        p.transmitter.step(step_s, p.cell.reading_mg_l(), blast);
        Reading r;
        r.time = now;
        r.do_mg_l = p.transmitter.shown_mg_l();
        r.do_percent = 100.0 * r.do_mg_l / water.saturation_mg_l;
        r.temperature_c = water.temperature_c;
        r.set(mark_cleaning, blast);
        r.set(mark_aeration, water.aeration);
        return r;
    }

    physics::Random random_;
    std::vector<physics::Tank> tanks_;
    std::vector<Position> probes_;
};

void feed(SiteDiagnosis& site, Input const& input, Log& log) {
    if (input.handling) {
        site.handle(input.place, *input.handling, log);
    } else {
        site.take(input.place, input.reading, log);
    }
}

// A small site that has seen a little of everything.
SiteDiagnosis lived_in(std::size_t probes, Rig& rig, Log& log) {
    SiteDiagnosis site{site_of(probes)};
    rig.run(30.0, [&](std::size_t place, Reading const& r) { site.take(place, r, log); });
    return site;
}

}  // namespace

TEST_CASE("a site stopped at any reading and continued from its checkpoint says what it would have said",
          "[diagnosis][checkpoint]") {
    std::uint64_t const seed = 20260301;
    INFO("seed " << seed);
    auto const inputs = Estate{seed}.live(21);
    Log whole;
    SiteDiagnosis site{Estate::setup()};
    for (auto const& input : inputs) {
        feed(site, input, whole);
    }
    // Else there would be little to lose.
    CHECK(whole.reasons[Reason::slow_response] > 0);
    CHECK(whole.reasons[Reason::no_communication] > 0);
    CHECK(whole.reasons[Reason::reference_disagreement] > 0);
    CHECK(whole.lines.size() > 4 * 21 * 24);

    physics::Random random{seed};
    std::vector<std::size_t> stops;
    for (int i = 0; i < 40; ++i) {
        stops.push_back(static_cast<std::size_t>(random.uniform() * static_cast<double>(inputs.size())));
    }
    std::sort(stops.begin(), stops.end());

    Log pieces;
    auto continued = std::make_unique<SiteDiagnosis>(Estate::setup());
    std::size_t next_stop = 0;
    for (std::size_t i = 0; i < inputs.size(); ++i) {
        for (; next_stop < stops.size() && stops[next_stop] == i; ++next_stop) {
            auto const bytes = continued->checkpoint();
            continued = std::make_unique<SiteDiagnosis>(Estate::setup());
            REQUIRE(continued->restore(bytes));
        }
        feed(*continued, inputs[i], pieces);
    }
    REQUIRE(next_stop == stops.size());
    REQUIRE(pieces.lines.size() == whole.lines.size());
    for (std::size_t i = 0; i < whole.lines.size(); ++i) {
        REQUIRE(pieces.lines[i] == whole.lines[i]);
    }
    CHECK(continued->now() == site.now());
    for (std::size_t place = 0; place < 4; ++place) {
        CHECK(text_of(continued->verdict(place)) == text_of(site.verdict(place)));
    }
}

TEST_CASE("a checkpoint cut off at any length is refused and changes nothing", "[diagnosis][checkpoint]") {
    Rig rig{1};
    Log log;
    auto const bytes = lived_in(1, rig, log).checkpoint();
    Rig other_rig{1, 2};
    auto site = lived_in(1, other_rig, log);
    auto const before = text_of(site.verdict(0));
    for (std::size_t length = 0; length < bytes.size(); ++length) {
        if (site.restore(std::string_view{bytes}.substr(0, length))) {
            FAIL("restored from " << length << " of " << bytes.size() << " bytes");
        }
    }
    CHECK(text_of(site.verdict(0)) == before);
    REQUIRE(site.restore(bytes));
    CHECK(text_of(site.verdict(0)) != before);
}

TEST_CASE("a checkpoint with a wrong bit anywhere is refused and changes nothing",
          "[diagnosis][checkpoint]") {
    Rig rig{1};
    Log log;
    auto const bytes = lived_in(1, rig, log).checkpoint();
    Rig other_rig{1, 2};
    auto site = lived_in(1, other_rig, log);
    auto const before = text_of(site.verdict(0));
    for (std::size_t at = 0; at < bytes.size(); at += 7) {
        auto damaged = bytes;
        damaged[at] = static_cast<char>(damaged[at] ^ (1 << (at % 8)));
        if (site.restore(damaged)) {
            FAIL("restored with a wrong bit in byte " << at);
        }
    }
    CHECK(text_of(site.verdict(0)) == before);
}

TEST_CASE("a checkpoint of another version of the algorithms is refused and changes nothing",
          "[diagnosis][checkpoint]") {
    Rig rig{1};
    Log log;
    auto site = lived_in(1, rig, log);
    auto const before = text_of(site.verdict(0));
    std::string bytes{unsealed(site.checkpoint()).value_or("")};
    // The version stands behind the four letters that begin every checkpoint.
    std::int32_t version = 0;
    std::copy_n(bytes.data() + 4, sizeof version, reinterpret_cast<char*>(&version));
    REQUIRE(version == algorithm_version);
    version += GENERATE(-1, 1);
    std::copy_n(reinterpret_cast<char const*>(&version), sizeof version, bytes.data() + 4);
    CHECK_FALSE(site.restore(sealed(bytes)));
    CHECK_FALSE(site.restore(sealed("PKC0" + bytes.substr(4))));
    CHECK_FALSE(site.restore("no checkpoint at all, but of some length, so that it could be taken for one"));
    CHECK(text_of(site.verdict(0)) == before);
}

TEST_CASE("a probe that a checkpoint does not know begins anew, and one that is gone is left out",
          "[diagnosis][checkpoint]") {
    Rig rig{3};
    Log log;
    auto const site = lived_in(3, rig, log);
    auto const bytes = site.checkpoint();

    auto setup = site_of(3);
    setup.probes[0].id = "basin-1";  // new, and first by id
    setup.probes[1].id = "tank-1";
    setup.probes[2].id = "tank-3";  // tank-2 is gone
    SiteDiagnosis changed{setup};
    REQUIRE(changed.restore(bytes));
    CHECK(text_of(changed.verdict(1)) == text_of(site.verdict(0)));
    CHECK(text_of(changed.verdict(2)) == text_of(site.verdict(2)));
    auto const fresh = changed.verdict(0);
    CHECK(fresh.condition == Condition::unknown);
    CHECK_FALSE(fresh.t90);
    CHECK_FALSE(fresh.fluctuation);

    rig.run(30.0, [&](std::size_t place, Reading const& r) { changed.take(place, r, log); });
    CHECK(changed.verdict(0).t90);
    CHECK(changed.condition(0) == Condition::good);
}

TEST_CASE("a probe that is added does not count as silent from before it was there",
          "[diagnosis][checkpoint]") {
    Rig rig{2};
    rig.probe(1).silent = true;
    Log log;
    SiteDiagnosis alone{site_of(1)};
    rig.run(30.0, [&](std::size_t place, Reading const& r) { alone.take(place, r, log); });
    auto const bytes = alone.checkpoint();
    SiteDiagnosis both{site_of(2)};
    REQUIRE(both.restore(bytes));
    Heard heard;
    rig.run(2.0, [&](std::size_t place, Reading const& r) { both.take(place, r, heard); });
    CHECK_FALSE(heard.ever(Reason::no_communication, 1));
    rig.run(4.0, [&](std::size_t place, Reading const& r) { both.take(place, r, heard); });
    CHECK(heard.ever(Reason::no_communication, 1));
}

}  // namespace probekeeper::diagnosis::test
