#include "service/month_report.h"

#include <algorithm>

namespace probekeeper::service {
namespace {

using diagnosis::Condition;

struct Month {
    Timestamp from{}, until{};
    [[nodiscard]] bool has(Timestamp t) const { return t >= from && t < until; }
    [[nodiscard]] double share(Timestamp a, Timestamp b) const {
        auto const length = until - from;
        auto const part = std::min(b, until) - std::max(a, from);
        return length.count() <= 0 || part.count() <= 0
                   ? 0.0
                   : static_cast<double>(part.count()) / static_cast<double>(length.count());
    }
};

double& share_of(TimeShares& shares, Condition condition) {
    switch (condition) {
        case Condition::good:
            return shares.good;
        case Condition::maintenance_required:
            return shares.maintenance_required;
        case Condition::out_of_specification:
            return shares.out_of_specification;
        case Condition::failure:
            return shares.failure;
        case Condition::function_check:
            return shares.function_check;
        case Condition::unknown:
            break;
    }
    return shares.unknown;
}

// Appends [from, until) as it lies within the month; one that is like the last joins it.
void append(std::vector<ConditionSpan>& spans, Month const& month, ConditionSpan span) {
    span.from = std::max(span.from, month.from);
    span.until = std::min(span.until, month.until);
    if (span.from >= span.until) {
        return;
    }
    bool const joins = !spans.empty() && spans.back().out_of_use == span.out_of_use &&
                       (span.out_of_use || spans.back().condition == span.condition);
    if (joins) {
        spans.back().until = span.until;
    } else {
        spans.push_back(span);
    }
}

// While the probe was out of use, nothing else counts.
void append_around(std::vector<ConditionSpan>& spans, Month const& month,
                   std::vector<Absence> const& absences, ConditionSpan span) {
    for (auto const& absence : absences) {
        auto const from = std::clamp(absence.from, span.from, span.until);
        auto const until = std::clamp(absence.until, span.from, span.until);
        if (from < until) {
            append(spans, month, {span.from, from, span.condition, false});
            append(spans, month, {from, until, Condition::unknown, true});
            span.from = until;
        }
    }
    append(spans, month, span);
}

std::vector<ConditionSpan> spans_of(ReportedProbe const& probe, Month const& month) {
    std::vector<ConditionSpan> spans;
    ConditionSpan span{month.from, month.from, Condition::unknown,
                       false};  // before the first nothing was known
    for (auto const& change : probe.conditions) {
        span.until = std::clamp(change.at, span.from, month.until);
        append_around(spans, month, probe.absences, span);
        span.from = span.until;
        span.condition = change.condition;
    }
    span.until = month.until;
    append_around(spans, month, probe.absences, span);
    return spans;
}

TimeShares shares_of(std::vector<ConditionSpan> const& spans, Month const& month) {
    TimeShares shares;
    for (auto const& span : spans) {
        auto& share = span.out_of_use ? shares.out_of_use : share_of(shares, span.condition);
        share += month.share(span.from, span.until);
    }
    return shares;
}

ProbeMonth probe_month(ReportedProbe const& probe, ReportSource const& source, Month const& month) {
    ProbeMonth p;
    p.id = probe.id;
    p.location = probe.location;
    p.spans = spans_of(probe, month);
    p.time = shares_of(p.spans, month);
    for (auto const& test : probe.tests) {
        if (!month.has(test.time)) {
            continue;
        }
        p.tests.push_back({test.time, test.t90_20_s, test.used});
        ++p.response_tests;
        if (test.used) {
            ++p.response_tests_used;
            p.first_t90_s = p.first_t90_s ? p.first_t90_s : std::optional{test.t90_20_s};
            p.last_t90_s = test.t90_20_s;
        }
    }
    for (auto const& kept : source.records) {
        if (kept.voided_at || kept.record.probe != probe.id || !month.has(kept.record.time)) {
            continue;
        }
        p.reference_checks += kept.record.kind == Work::reference_check ? 1 : 0;
        p.calibrations += kept.record.kind == Work::air_calibration ? 1 : 0;
    }
    return p;
}

// As it stood at the end of the month: what came later is another month's.
std::optional<TicketMonth> ticket_month(Ticket const& ticket, Month const& month) {
    TicketMonth t;
    t.id = ticket.id;
    t.probe = ticket.probe;
    t.opened_at = ticket.opened_at;
    for (auto const& entry : ticket.history) {
        if (entry.at >= month.until) {
            continue;
        }
        if (is_finished(entry.state) && !is_finished(t.state)) {
            t.ended_at = entry.at;
            t.how = entry.note;
        } else if (!is_finished(entry.state)) {
            t.ended_at.reset();
            t.how.clear();
        }
        t.state = entry.state;
    }
    if (ticket.opened_at >= month.until || (t.ended_at && *t.ended_at < month.from)) {
        return std::nullopt;
    }
    for (auto const& reason : ticket.reasons) {
        if (reason.finding.raised_at < month.until) {
            t.reasons.push_back(reason.finding.text);
        }
    }
    return t;
}

}  // namespace

MonthReport month_report(ReportSource const& source) {
    MonthReport report;
    report.site = source.site;
    report.complete = source.now >= source.until;
    Month const month{source.from, std::max(source.from, std::min(source.until, source.now))};
    report.from = month.from;
    report.until = month.until;
    for (auto const& probe : source.probes) {
        report.probes.push_back(probe_month(probe, source, month));
    }
    for (auto const& ticket : source.tickets) {
        if (auto told = ticket_month(ticket, month)) {
            report.tickets.push_back(std::move(*told));
        }
    }
    std::stable_sort(report.tickets.begin(), report.tickets.end(),
                     [](auto const& a, auto const& b) { return a.opened_at < b.opened_at; });
    for (auto const& kept : source.records) {
        if (!kept.voided_at && month.has(kept.record.time)) {
            report.work.push_back(
                {kept.record.time, kept.record.probe, kept.record.by, kept.record.note, kept.record.kind});
        }
    }
    std::stable_sort(report.work.begin(), report.work.end(),
                     [](auto const& a, auto const& b) { return a.at < b.at; });
    for (auto const& life : source.lives) {
        report.membranes[life.kind] += month.has(life.installed) ? 1 : 0;
    }
    std::erase_if(report.membranes, [](auto const& kind) { return kind.second == 0; });
    return report;
}

}  // namespace probekeeper::service
