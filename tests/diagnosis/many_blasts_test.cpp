// Blasts that slow polls leave a reading or two of: each tells nothing, many together tell T90.
#include "diagnosis/many_blasts.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "diagnosis/bench.h"
#include "diagnosis/shown.h"

namespace probekeeper::diagnosis::test {
namespace {

struct Cleaner {
    double length_s = 45.0, poll_s = 60.0, flush_s = 4.0;
    double noise = 0.01, resolution = 0.01;
    bool declared = true;
    bool membrane = false;
    double t90_s = 90.0;
};

// One of its blasts, at some moment between two polls; empty where no reading shows it.
void blast_into(ManyBlasts& many, Cleaner const& c, std::int64_t end_ms, physics::Random& random) {
    auto const shown = c.membrane ? membrane(c.t90_s) : first_order(c.t90_s);
    double const base = random.uniform(4.0, 7.5), air = 9.0;
    double const end_s = random.uniform(0.0, c.poll_s), begin_s = end_s - c.length_s;
    // The flush's exponential by twenty steps of equal height.
    auto const outside = [&](double t) {
        double sum = 0.0;
        for (int i = 0; i < 20; ++i) {
            sum += shown(t + c.flush_s * std::log1p(-(i + 0.5) / 20.0)) / 20.0;
        }
        return sum;
    };
    std::vector<FitPoint> points;
    std::size_t last_in = 0, first_in = 0, top = 0;
    for (int i = -6; i < 9; ++i) {
        double const t = c.poll_s * i;
        double const value =
            base + (air - base) * (outside(t - begin_s) - outside(t - end_s)) + c.noise * random.normal();
        if (t >= begin_s && t < end_s) {
            first_in = first_in == 0 ? points.size() : first_in;
            last_in = points.size();
        }
        points.push_back({t, c.resolution * std::round(value / c.resolution)});
        top = points.back().value > points[top].value ? points.size() - 1 : top;
    }
    if (c.declared && last_in == 0) {
        return;
    }
    AirStep step;
    step.declared = c.declared;
    step.source = c.declared ? TestSource::cleaning : TestSource::air_exposure;
    step.saturation = air;
    step.base = base;
    double const zero_s = c.declared ? points[last_in].t_s + 0.5 * c.poll_s : points[top].t_s;
    double const from_s = c.declared ? points[first_in - 1].t_s : zero_s - 3.0 * c.poll_s;
    step.end_ms = end_ms;
    step.begin_ms = end_ms - static_cast<std::int64_t>(1000.0 * (zero_s - from_s));
    for (auto& p : points) {
        p.t_s -= zero_s;
    }
    ProbeKnown known;
    known.t90_guess_s = 60.0;
    known.noise = c.noise;
    known.resolution = c.resolution;
    many.take({points, step, 45.0, 20.0}, known);
}

struct Found {
    double mean = 0.0, scatter = 0.0, said = 0.0;  // of ln T90 against the truth
    int count = 0;
};

Found many_times(Cleaner const& c, std::uint64_t seed) {
    physics::Random random{seed};
    Found out;
    ManyBlasts many;
    std::int64_t now_ms = 1'772'323'200'000;
    double squares = 0.0;
    for (int i = 0; i < 400 && out.count < 25; ++i) {
        now_ms += 4 * 3'600'000;
        blast_into(many, c, now_ms, random);
        if (auto const told = many.told(c.membrane ? 0.98 : 0.02)) {
            REQUIRE(told->fit.set_aside.empty());
            double const ln = c.membrane ? told->fit.ln_t90_membrane : told->fit.ln_t90_first_order;
            double const off = ln - std::log(c.t90_s);
            out.mean += off;
            squares += off * off;
            out.said += told->fit.ln_error;
            ++out.count;
        }
    }
    out.mean /= out.count;
    out.said /= out.count;
    out.scatter = std::sqrt(squares / out.count);
    return out;
}

}  // namespace

TEST_CASE("many blasts together tell T90 where each leaves a reading or two", "[diagnosis][many_blasts]") {
    for (bool const declared : {true, false}) {
        for (bool const membrane : {false, true}) {
            for (double const t90_s : {70.0, 110.0, 200.0}) {
                Cleaner c;
                c.declared = declared;
                c.membrane = membrane;
                c.t90_s = t90_s;
                auto const found = many_times(c, 7);
                INFO(declared << " " << membrane << " " << t90_s << ": " << found.mean << ", scatter "
                              << found.scatter << ", said " << found.said);
                REQUIRE(found.count >= 20);
                CHECK(std::abs(found.mean) < 0.06);
                CHECK(found.scatter < 0.1);
                CHECK(found.scatter < 1.6 * found.said);
                CHECK(found.scatter > 0.2 * found.said);
            }
        }
    }
}

TEST_CASE("many blasts tell T90 through an output of tenths, too, as widely as they must",
          "[diagnosis][many_blasts]") {
    Cleaner c;
    c.resolution = 0.1;
    c.t90_s = 130.0;
    auto const found = many_times(c, 3);
    INFO(found.mean << ", scatter " << found.scatter << ", said " << found.said);
    REQUIRE(found.count >= 10);
    CHECK(std::abs(found.mean) < 0.06);
    CHECK(found.scatter < 1.6 * found.said);
}

TEST_CASE("few blasts tell nothing, nor those of a response that such polls cannot show",
          "[diagnosis][many_blasts]") {
    physics::Random random{1};
    Cleaner c;
    ManyBlasts many;
    blast_into(many, c, 1'772'323'200'000, random);
    CHECK_FALSE(many.told(0.5));

    c.t90_s = 8.0;
    ManyBlasts quick;
    for (int i = 1; i < 60; ++i) {
        blast_into(quick, c, 1'772'323'200'000 + 4 * 3'600'000LL * i, random);
        auto const told = quick.told(0.5);
        CHECK((!told || !told->fit.set_aside.empty()));
    }
}

TEST_CASE("a probe read once a minute is tested by its blasts, and named once it is slow",
          "[diagnosis][many_blasts]") {
    auto setup = site_of(1, 60.0);
    setup.probes[0].t90_s = 60.0;
    Bench b{setup};
    b.rig.blast_s = 45;
    b.rig.blast_every_s = 4 * 3600 + 17;
    b.rig.probe(0).t90_s = 65.0;
    b.run(8.0 * 24.0);
    auto const known = b.site.verdict(0).t90;
    REQUIRE(known);
    INFO("T90 is " << known->value_s << ", " << known->low_s << " to " << known->high_s);
    CHECK(known->value_s == Approx(65.0).epsilon(0.12));
    CHECK_FALSE(b.stands(Reason::slow_response));

    b.rig.probe(0).t90_s = 160.0;
    b.run(4.0 * 24.0);
    CHECK(b.stands(Reason::slow_response));
}

TEST_CASE("blasts before a wipe say nothing of the response after it", "[diagnosis][many_blasts]") {
    auto setup = site_of(1, 60.0);
    Bench b{setup};
    b.rig.blast_s = 45;
    b.rig.blast_every_s = 4 * 3600 + 17;
    b.rig.probe(0).t90_s = 170.0;
    b.run(6.0 * 24.0);
    auto const before = b.heard.used(TestSource::cleaning).size();
    REQUIRE(before > 0);
    // A wipe in the middle of some blasts that have not told yet.
    b.run(7.0);
    b.did(Act::membrane_wipe);
    b.rig.probe(0).t90_s = 70.0;
    b.run(3.0 * 24.0);
    auto const tests = b.heard.used(TestSource::cleaning);
    REQUIRE(tests.size() > before);
    CHECK(tests.back().t90_20_s == Approx(70.0).epsilon(0.2));
}

}  // namespace probekeeper::diagnosis::test
