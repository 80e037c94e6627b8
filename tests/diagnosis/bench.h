// A rig and the diagnosis of its site, with everything that diagnosis says kept.
#pragma once

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "diagnosis/rig.h"
#include "diagnosis/site.h"

namespace probekeeper::diagnosis::test {

// What eddies do within minutes, for water that is lively.
inline double ripple(double hour) {
    double const minute = 60.0 * hour;
    return std::sin(4.1 * minute) + std::sin(2.9 * minute) + std::sin(1.7 * minute);
}

class Heard : public Listener {
public:
    void tested(std::size_t place, ResponseTest const& test) override { tests.push_back({place, test}); }
    void weighed(std::size_t place, Diagnosis const& diagnosis) override {
        for (auto const& finding : diagnosis.findings) {
            bool const known = std::any_of(found.begin(), found.end(), [&](auto const& f) {
                return f.place == place && f.finding.reason == finding.reason &&
                       f.finding.raised_at == finding.raised_at;
            });
            if (!known) {
                found.push_back({place, finding});
            }
        }
    }
    void service_changed(std::size_t place, ServiceChange const& change) override {
        changes.push_back({place, change});
    }
    struct Test {
        std::size_t place = 0;
        ResponseTest test;
    };
    struct Change {
        std::size_t place = 0;
        ServiceChange change;
    };
    std::vector<Change> changes;
    struct Found {
        std::size_t place = 0;
        Finding finding;  // as first told
    };
    std::vector<Test> tests;
    std::vector<Found> found;

    [[nodiscard]] std::vector<ResponseTest> used(TestSource source, std::size_t place = 0) const {
        std::vector<ResponseTest> kept;
        for (auto const& t : tests) {
            if (t.place == place && t.test.used && t.test.source == source) {
                kept.push_back(t.test);
            }
        }
        return kept;
    }
    // Whether the reason was ever raised.
    [[nodiscard]] bool ever(Reason reason, std::size_t place = 0) const {
        return std::any_of(found.begin(), found.end(),
                           [&](auto const& f) { return f.place == place && f.finding.reason == reason; });
    }
};

// `probes` in the same water, each on no line, that expect a T90 of 40 s.
inline SiteSetup site_of(std::size_t probes, double poll_s = 10.0) {
    SiteSetup site;
    site.id = "saltmarsh";
    for (std::size_t i = 0; i < probes; ++i) {
        ProbeSetup p;
        p.id = fmt::format("tank-{}", i + 1);
        p.poll_s = poll_s;
        p.t90_s = 40.0;
        p.pressure_measured = true;
        for (std::size_t n = 0; n < probes; ++n) {
            if (n != i) {
                p.neighbours.push_back(n);
            }
        }
        site.probes.push_back(p);
    }
    return site;
}

struct Bench {
    explicit Bench(SiteSetup setup, std::uint64_t seed = 1)
        : rig{setup.probes.size(), seed, setup.probes.front().poll_s}, site{std::move(setup)} {}
    explicit Bench(std::size_t probes = 1, std::uint64_t seed = 1) : Bench{site_of(probes), seed} {}

    // Time passes for the diagnosis too, readings or not.
    void run(double hours) {
        rig.run(hours, [this](std::size_t place, Reading const& r) { site.take(place, r, heard); });
        site.advance(rig.now(), heard);
    }
    void did(Act act, std::size_t place = 0) {
        Handling h;
        h.act = act;
        did(h, place);
    }
    void did(Handling handling, std::size_t place = 0) {
        handling.time = rig.now();
        site.handle(place, handling, heard);
    }
    [[nodiscard]] bool stands(Reason reason, std::size_t place = 0) const {
        return find(reason, place).has_value();
    }
    [[nodiscard]] std::optional<Finding> find(Reason reason, std::size_t place = 0) const {
        for (auto const& f : site.verdict(place).findings) {
            if (f.reason == reason) {
                return f;
            }
        }
        return std::nullopt;
    }

    Rig rig;
    SiteDiagnosis site;
    Heard heard;
};

// The codes of what stands, so that a failing test says which.
inline std::string reasons(Diagnosis const& d) {
    std::string text;
    for (auto const& f : d.findings) {
        text += std::string{to_word(f.reason)} + ": " + f.text + "; ";
    }
    return text;
}

}  // namespace probekeeper::diagnosis::test
