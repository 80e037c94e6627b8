// Diagnoses made by hand: what the tickets see of a probe, without any reading.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/ticket_book.h"

namespace probekeeper::service::testing {

using diagnosis::Diagnosis;
using diagnosis::Finding;
using diagnosis::Reason;

inline Timestamp at_day(double day) {
    return *parse_rfc3339("2026-03-01T06:00:00Z") + days(day);
}

inline ProbeFacts probe(std::string id = "tank-1", fleet::Use use = fleet::Use::alarm) {
    return {std::move(id), use, "cap-25um", fleet::SiteKind::aquaculture};
}

inline Finding finding(Reason reason, double raised_day) {
    Finding f;
    f.reason = reason;
    f.raised_at = at_day(raised_day);
    f.since = at_day(raised_day - 2.0);
    f.probability = 0.99;
    f.text = "because of " + std::string{diagnosis::to_word(reason)};
    return f;
}

inline Finding slow(double raised_day, double t90_s = 92.1) {
    auto f = finding(Reason::slow_response, raised_day);
    f.value = t90_s;
    f.low = t90_s - 8.0;
    f.high = t90_s + 8.0;
    f.limit = 82.0;
    f.unit = "s";
    return f;
}

inline Finding forecast(double raised_day, double due_day) {
    auto f = slow(raised_day, 75.0);
    f.since.reset();
    f.due = at_day(due_day);
    return f;
}

inline Diagnosis diagnosed(double day, std::vector<Finding> findings = {}) {
    Diagnosis d;
    d.at = at_day(day);
    d.findings = std::move(findings);
    return d;
}

// With a response test of `tested_day` that says `t90_s`, and no more movement than when fresh.
inline Diagnosis tested(Diagnosis d, double tested_day, double t90_s = 41.0) {
    diagnosis::T90 t;
    t.value_s = t90_s;
    t.low_s = 0.9 * t90_s;
    t.high_s = 1.1 * t90_s;
    t.ratio = t90_s / 41.0;
    t.at = at_day(tested_day);
    d.t90 = t;
    diagnosis::Fluctuation f;
    f.ratio = 1.0;
    f.at = d.at;
    d.fluctuation = f;
    return d;
}

inline Record work(double day, Work kind = Work::membrane_change, std::string probe = "tank-1") {
    Record r;
    r.time = at_day(day);
    r.probe = std::move(probe);
    r.kind = kind;
    r.by = "t1";
    return r;
}

inline TicketBook book() {
    return {"saltmarsh", 17, {}};
}

}  // namespace probekeeper::service::testing
