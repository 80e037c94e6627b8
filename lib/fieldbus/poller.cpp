#include "fieldbus/poller.h"

#include <sys/prctl.h>
#include <algorithm>
#include <cmath>
#include <random>

#include "fieldbus/schedule.h"

namespace probekeeper::fieldbus {
namespace {

Jitter entropy_jitter() {
    return [generator = std::minstd_rand{std::random_device{}()}]() mutable {
        return std::uniform_real_distribution<double>{}(generator);
    };
}

// The default slack of 50 us on every sleep would lengthen each silence of a fast serial line by 3 %.
void sleep_precisely() {
    constexpr unsigned long slack_ns = 1000;
    ::prctl(PR_SET_TIMERSLACK, slack_ns, 0, 0, 0);
}

}  // namespace

// What lives as long as the thread runs.
struct LineWorker::Run {
    Line line;
    Schedule schedule;
    RetryBudget budget;
    ConnectBackoff backoff;
    std::optional<bool> up;  // as told to the sink
    LinkError down_why;      // why it is not open
};

LineWorker::LineWorker(fleet::Fleet const& fleet, fleet::LineIndex line, Sink& sink, Clock const& clock,
                       WorkerOptions options)
    : line_index_{line},
      line_{fleet.lines.at(line)},
      sink_{sink},
      clock_{clock},
      jitter_{options.jitter ? std::move(options.jitter) : entropy_jitter()} {
    auto const costs = costs_of(line_);
    statistics_.line = line;
    for (std::size_t i = 0; i < fleet.probes.size(); ++i) {
        auto const& probe = fleet.probes[i];
        if (probe.line != line || !probe.register_map) {
            continue;
        }
        auto const index = static_cast<fleet::ProbeIndex>(i);
        units_.push_back({index, ProbeReader{fleet.register_maps.at(*probe.register_map), probe.unit, costs},
                          std::chrono::nanoseconds{std::llround(probe.poll_s * 1e9)}});
        statistics_.units.emplace_back().probe = index;
    }
}

LineWorker::~LineWorker() {
    stop();
}

void LineWorker::start() {
    thread_ = std::jthread{[this](std::stop_token const& stop) { run(stop); }};
}

void LineWorker::interrupt() {
    thread_.request_stop();
    between_polls_.end();
}

void LineWorker::stop() {
    interrupt();
    if (thread_.joinable()) {
        thread_.join();
    }
}

LineStatistics LineWorker::statistics() const {
    std::scoped_lock const lock{mutex_};
    return statistics_;
}

void LineWorker::run(std::stop_token const& stop) {
    if (units_.empty()) {
        return;
    }
    sleep_precisely();
    auto const start = SteadyClock::now();
    std::vector<std::chrono::nanoseconds> intervals;
    for (auto const& unit : units_) {
        intervals.push_back(unit.interval);
    }
    Run run{Line{line_},
            Schedule{start, std::move(intervals)},
            RetryBudget{std::chrono::milliseconds{line_.timeout_ms}, start},
            {},
            {},
            {}};
    while (!stop.stop_requested()) {
        auto const slot = run.schedule.next();
        if (slot.due > SteadyClock::now()) {
            between_polls_.until(slot.due);
        } else {
            poll(run, slot.item);
        }
    }
}

void LineWorker::poll(Run& run, std::size_t index) {
    auto& unit = units_[index];
    bool const held_back = unit.silences >= 2 && others_answer(index);
    if (held_back && !run.budget.allows(SteadyClock::now())) {
        count_slots(index, 0, run.schedule.defer(index, run.budget.affordable_at()));
        return;
    }
    if (!ensure_open(run)) {
        unit.answered = false;
        record_fault(index, clock_.now(), run.down_why);
        {
            std::scoped_lock const lock{mutex_};
            ++statistics_.units[index].polls;
        }
        count_slots(index, run.schedule.done(index, SteadyClock::now()), 0);
        return;
    }
    auto const read = unit.reader.read(run.line, clock_);
    auto const now = SteadyClock::now();
    auto const first_fault = read.failed.empty() ? Fault::none : read.failed.front().error.fault;
    unit.answered = read.at.has_value() || first_fault == Fault::exception;
    unit.silences = !read.at && is_silence(first_fault) ? unit.silences + 1 : 0;
    if (unit.answered) {
        run.backoff.answered();
    }
    if (held_back && read.silent.count() > 0) {
        run.budget.spend(now, read.silent);
    }
    if (first_fault != Fault::none && !run.line.usable()) {
        run.down_why = read.failed.front().error;  // it was closed for this, by us
    }
    report(index, read);
    auto const skip = slots_to_skip(unit.silences, unit.interval);
    count_slots(index, run.schedule.done(index, now, skip), static_cast<std::uint64_t>(skip));
}

bool LineWorker::ensure_open(Run& run) {
    if (run.line.usable()) {
        return true;
    }
    auto const now = SteadyClock::now();
    if (!run.backoff.allows(now)) {
        return false;
    }
    auto const opened = run.line.open();
    run.backoff.attempted(SteadyClock::now(), jitter_);
    run.down_why = opened ? LinkError{Fault::closed_by_peer, 0} : opened.error();
    set_up(run, opened.has_value(), opened ? LinkError{} : opened.error());
    return opened.has_value();
}

void LineWorker::set_up(Run& run, bool up, LinkError error) {
    {
        std::scoped_lock const lock{mutex_};
        statistics_.up = up;
        ++(up ? statistics_.opened : statistics_.open_failures);
        if (!up) {
            statistics_.last_error = error;
        }
    }
    if (run.up != up) {
        run.up = up;
        sink_.line_state(line_index_, up, error, clock_.now());
    }
}

void LineWorker::report(std::size_t index, ProbeRead const& read) {
    auto decoded = decode(units_[index].reader.map(), read.blocks);
    auto const at = read.at.value_or(clock_.now());
    for (auto const& failed : read.failed) {
        record_fault(index, at, failed.error);
    }
    for (auto const& issue : decoded.issues) {
        record_fault(index, at, {Fault::decode, decode_code(issue)});
    }
    auto& reading = decoded.reading;
    bool const good = is_read(reading.do_mg_l) || is_read(reading.do_percent) || is_read(reading.po2_hpa);
    {
        std::scoped_lock const lock{mutex_};
        auto& statistics = statistics_.units[index];
        ++statistics.polls;
        if (good) {
            ++statistics.good;
            statistics.last_good_at = at;
            statistics.latency_last = read.latency;
            statistics.latency_max = std::max(statistics.latency_max, read.latency);
            statistics.latency_sum += read.latency;
            auto const took_s = std::chrono::duration<double>(read.latency).count();
            auto const bound = std::lower_bound(latency_bounds_s.begin(), latency_bounds_s.end(), took_s);
            ++statistics.latency_counts[static_cast<std::size_t>(bound - latency_bounds_s.begin())];
        }
    }
    if (good) {
        reading.time = at;
        sink_.reading(units_[index].probe, reading);
    }
}

void LineWorker::record_fault(std::size_t index, Timestamp at, LinkError error) {
    {
        std::scoped_lock const lock{mutex_};
        auto& statistics = statistics_.units[index];
        ++statistics.faults[static_cast<std::size_t>(error.fault)];
        statistics.last_error = error;
        statistics.last_error_at = at;
    }
    sink_.fault(units_[index].probe, at, error.fault, error.code);
}

void LineWorker::count_slots(std::size_t index, std::uint64_t missed, std::uint64_t spared) {
    std::scoped_lock const lock{mutex_};
    statistics_.units[index].missed += missed;
    statistics_.units[index].spared += spared;
}

bool LineWorker::others_answer(std::size_t index) const {
    for (std::size_t i = 0; i < units_.size(); ++i) {
        if (i != index && units_[i].answered) {
            return true;
        }
    }
    return false;
}

}  // namespace probekeeper::fieldbus
