// A small site without a configuration file, a sink that remembers, and readings to feed.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "diagnosis/rig.h"
#include "document/diagnosis.h"
#include "document/ticket.h"
#include "document/write.h"
#include "pipeline/site_pipeline.h"

namespace probekeeper::pipeline::test {

using diagnosis::test::day_one;
using diagnosis::test::Rig;

inline constexpr Millis hour{3'600'000};

// Two sites; the one that is tested has three probes in one water, and its probes do not begin the list.
inline fleet::Fleet small_fleet() {
    fleet::Fleet fleet;
    for (auto const* id : {"pond", "saltmarsh"}) {
        fleet::Site site;
        site.id = id;
        fleet.sites.push_back(site);
    }
    auto const add = [&](std::string id, fleet::SiteIndex site) {
        fleet::Probe probe;
        probe.id = std::move(id);
        probe.site = site;
        probe.poll_s = 10.0;
        probe.t90_s = 40.0;
        fleet.probes.push_back(probe);
    };
    add("pond-1", 0);
    add("tank-1", 1);
    add("tank-2", 1);
    add("tank-3", 1);
    for (fleet::ProbeIndex i = 1; i <= 3; ++i) {
        for (fleet::ProbeIndex n = 1; n <= 3; ++n) {
            if (n != i) {
                fleet.probes[i].neighbours.push_back(n);
            }
        }
    }
    return fleet;
}
inline constexpr fleet::SiteIndex saltmarsh = 1;
inline constexpr fleet::ProbeIndex first_tank = 1;

struct Fed {
    fleet::ProbeIndex probe = 0;
    Reading reading;
};

// `for_hours` of readings of the three tanks; the first has a T90 of `t90_s`.
inline std::vector<Fed> readings_of(double for_hours, double t90_s) {
    Rig rig{3, 7};
    rig.probe(0).t90_s = t90_s;
    std::vector<Fed> fed;
    rig.run(for_hours, [&](std::size_t place, Reading const& r) {
        fed.push_back({first_tank + static_cast<fleet::ProbeIndex>(place), r});
    });
    return fed;
}

class Remember : public Sink {
public:
    void tested(fleet::ProbeIndex probe, diagnosis::ResponseTest const& test) override {
        tests.push_back(std::to_string(probe) + " " + document::write(document::to_json(test)));
    }
    void weighed(fleet::ProbeIndex probe, diagnosis::Diagnosis const& d, bool changed) override {
        auto const text = std::to_string(probe) + " " + document::write(document::to_json(d, "p"));
        says.push_back(text);
        if (changed) {
            changes.push_back(text);
        }
    }
    void ticket(service::Ticket const& ticket) override { tickets.push_back(ticket); }

    std::vector<std::string> tests, says, changes;
    std::vector<service::Ticket> tickets;
};

inline service::TicketBook empty_book() {
    return {"saltmarsh", 1, {}};
}

inline std::string text_of(service::TicketBook const& book) {
    std::string text;
    for (auto const& [number, ticket] : book.tickets()) {
        text += document::write(document::to_json(ticket)) + "\n";
    }
    return text;
}

inline service::Record record_of(service::Work kind, Timestamp time, std::string probe = "tank-1") {
    service::Record r;
    r.kind = kind;
    r.time = time;
    r.probe = std::move(probe);
    return r;
}

}  // namespace probekeeper::pipeline::test
