// What the daemon counts and measures, for /metrics.
#include <algorithm>
#include <map>

#include "live/backend.h"

namespace probekeeper::live {
namespace {

using api::MetricsText;
using enum api::MetricsText::Type;

double number(std::uint64_t count) {
    return static_cast<double>(count);
}

struct LineSums {
    std::string id;
    bool up = false;
    std::uint64_t opened = 0, polls = 0, good = 0, missed = 0, spared = 0;
    std::array<std::uint64_t, fieldbus::fault_count> faults{};
    std::array<std::uint64_t, fieldbus::latency_bounds_s.size() + 1> latency_counts{};
    double latency_sum_s = 0.0;
};

LineSums sums_of(fieldbus::LineStatistics const& line, std::string id) {
    LineSums sums;
    sums.id = std::move(id);
    sums.up = line.up;
    sums.opened = line.opened;
    for (auto const& unit : line.units) {
        sums.polls += unit.polls;
        sums.good += unit.good;
        sums.missed += unit.missed;
        sums.spared += unit.spared;
        sums.latency_sum_s += std::chrono::duration<double>(unit.latency_sum).count();
        for (std::size_t i = 0; i < unit.faults.size(); ++i) {
            sums.faults[i] += unit.faults[i];
        }
        for (std::size_t i = 0; i < unit.latency_counts.size(); ++i) {
            sums.latency_counts[i] += unit.latency_counts[i];
        }
    }
    return sums;
}

void write_lines(MetricsText& out, std::vector<LineSums> const& lines) {
    out.family("line_up", gauge, "", "1 where the line is open");
    for (auto const& line : lines) {
        out.sample({{"line", line.id}}, line.up ? 1.0 : 0.0);
    }
    out.family("line_opens", counter, "", "How often the line was opened");
    for (auto const& line : lines) {
        out.sample({{"line", line.id}}, number(line.opened));
    }
    out.family("polls", counter, "", "Polls by whether they gave a reading, or were left out");
    for (auto const& line : lines) {
        out.sample({{"line", line.id}, {"result", "good"}}, number(line.good));
        out.sample({{"line", line.id}, {"result", "failed"}}, number(line.polls - line.good));
        out.sample({{"line", line.id}, {"result", "missed"}}, number(line.missed));
        out.sample({{"line", line.id}, {"result", "spared"}}, number(line.spared));
    }
    out.family("faults", counter, "", "Faults of polls by kind");
    for (auto const& line : lines) {
        for (auto const fault : fieldbus::all_faults) {
            if (auto const count = line.faults[static_cast<std::size_t>(fault)]; count > 0) {
                out.sample({{"line", line.id}, {"fault", fieldbus::to_word(fault)}}, number(count));
            }
        }
    }
    out.family("poll_seconds", histogram, "seconds", "From the request of a poll to its oxygen");
    for (auto const& line : lines) {
        out.histogram({{"line", line.id}}, fieldbus::latency_bounds_s, line.latency_counts,
                      line.latency_sum_s);
    }
}

void write_queue(MetricsText& out, store::Writer::State const& writing, Keeper::Queue const& diagnosing) {
    out.family("queue_readings", gauge, "", "Readings that wait");
    out.sample({{"queue", "store"}}, number(writing.readings_waiting));
    out.sample({{"queue", "diagnosis"}}, number(diagnosing.waiting));
    out.family("readings_dropped", counter, "", "Readings lost because a queue was full");
    out.sample({{"queue", "store"}}, number(writing.readings_dropped));
    out.sample({{"queue", "diagnosis"}}, number(diagnosing.dropped));
    out.family("readings_late", counter, "",
               "Readings that came behind the watermark: stored, not diagnosed");
    out.sample({}, number(diagnosing.late));
}

void write_store(MetricsText& out, store::Writer::State const& writing, api::Latencies const& commits) {
    out.family("readings_stored", counter, "", "Readings written to the store");
    out.sample({}, number(writing.written));
    out.family("readings_repeated", counter, "", "Readings that the store had already");
    out.sample({}, number(writing.repeats));
    out.family("store_up", gauge, "", "0 while the store cannot be written");
    out.sample({}, writing.failing ? 0.0 : 1.0);
    out.family("store_memory_bytes", gauge, "bytes",
               "Memory that SQLite holds: caches of the store's pages, which are bounded");
    out.sample({}, static_cast<double>(store::memory_used()));
    out.family("store_failed_commits", counter, "", "Commits that failed, and were tried again");
    out.sample({}, number(writing.failed_groups));
    out.family("store_commit_seconds", histogram, "seconds", "Commits of the store");
    out.sample({}, commits);
}

}  // namespace

void Backend::write_probes(MetricsText& out, Board const& board) const {
    auto const& probes = board.fleet().probes;
    out.family("probe_condition", gauge, "", "1 for the condition that the probe is in");
    for (fleet::ProbeIndex i = 0; i < probes.size(); ++i) {
        auto const probe = board.probe(i);
        out.sample(
            {{"probe", probe.id}, {"site", probe.site}, {"condition", diagnosis::to_word(probe.condition)}},
            1.0);
    }
    out.family("probe_reading_age_seconds", gauge, "seconds", "How old the newest reading of the probe is");
    auto const now = clock_.now();
    for (fleet::ProbeIndex i = 0; i < probes.size(); ++i) {
        if (auto const newest = board.newest_reading(i)) {
            out.sample({{"probe", probes[i].id}}, std::chrono::duration<double>(now - *newest).count());
        }
    }
}

void Backend::write_metrics(MetricsText& out) {
    out.family("uptime_seconds", gauge, "seconds", "Since the daemon started");
    out.sample({}, std::chrono::duration<double>(std::chrono::steady_clock::now() - started_).count());
    out.family("clock_ahead_seconds", gauge, "seconds",
               "How far the stamps of readings are ahead of the system's clock");
    out.sample({}, clock_.ahead_s());
    auto const writing = writer_.state();
    write_store(out, writing, commits_);
    if (auto const companion = this->companion()) {
        companion->write_metrics(out);
    }
    auto const now = parts();
    if (!now) {
        return;
    }
    out.family("tickets", gauge, "",
               "Unfinished tickets by state and reason; one with several reasons counts for each");
    for (auto const& [state_and_reason, count] : now.value().board->ticket_counts()) {
        out.sample({{"state", state_and_reason.first}, {"reason", state_and_reason.second}}, number(count));
    }
    write_queue(out, writing, now.value().keeper->queue());
    std::vector<LineSums> lines;
    auto const& fleet = now.value().board->fleet();
    for (auto const& worker : *now.value().workers) {
        auto const statistics = worker->statistics();
        lines.push_back(sums_of(statistics, fleet.lines[statistics.line].id));
    }
    write_lines(out, lines);
    write_probes(out, *now.value().board);
}

}  // namespace probekeeper::live
