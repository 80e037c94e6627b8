// Polls the probes of one line, for as long as it lives.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <stop_token>
#include <thread>
#include <vector>

#include "base/reading.h"
#include "fieldbus/backoff.h"
#include "fieldbus/fault.h"
#include "fieldbus/probe_reader.h"
#include "fieldbus/wait.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// Where a worker puts what it found. Called from the worker's own thread, one call at a time per worker, yet
// from several workers at once. A call must not throw, and not block for long: the line stands still
// meanwhile.
class Sink {
public:
    virtual ~Sink() = default;
    // A poll that brought dissolved oxygen. Only the oxygen field of the map's unit is filled; the caller
    // completes the others. The time is the system clock's and may go back with it; the caller sees to that.
    virtual void reading(fleet::ProbeIndex probe, Reading const& reading) = 0;
    // A poll, or a part of one, that failed: once for each poll without a reading (also while the line cannot
    // be opened), and beside a reading for each signal or block that could not be had. `code` as in
    // LinkError.
    virtual void fault(fleet::ProbeIndex probe, Timestamp at, Fault fault, int code) = 0;
    // The line was opened (up, no error), or cannot be (down, why). Called on a change and once in the
    // beginning. A silent device is no fault of the line.
    virtual void line_state(fleet::LineIndex line, bool up, LinkError error, Timestamp at) = 0;
};

// How long an answer took, by powers of about three.
inline constexpr std::array<double, 9> latency_bounds_s{0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0};

struct UnitStatistics {
    fleet::ProbeIndex probe = 0;
    std::uint64_t polls = 0;   // slots in which the probe was asked, or would have been if the line were open
    std::uint64_t good = 0;    // that gave a reading
    std::uint64_t missed = 0;  // slots that the line was too busy for
    std::uint64_t spared = 0;  // slots let go by on purpose, because the unit was silent
    std::array<std::uint64_t, fault_count> faults{};  // by Fault
    LinkError last_error;                             // Fault::none: never one
    std::optional<Timestamp> last_error_at, last_good_at;
    std::chrono::microseconds latency_last{}, latency_max{}, latency_sum{};  // of good oxygen blocks
    std::array<std::uint64_t, latency_bounds_s.size() + 1>
        latency_counts{};  // within each bound, and beyond all
};

struct LineStatistics {
    fleet::LineIndex line = 0;
    bool up = false;
    std::uint64_t opened = 0, open_failures = 0;
    LinkError last_error;               // of opening
    std::vector<UnitStatistics> units;  // in order of probe
};

struct WorkerOptions {
    // Random parts of the waits between attempts to open the line; by default from the system's entropy.
    Jitter jitter;
};

// One thread for one line. A probe has a slot every poll_s on a fixed grid and gives at most one sample a
// slot.
//
// A probe that does not answer in time is asked again in its next slot, then after 2, 4, 8, ... slots up to
// 60 s, and, while others on the line do answer, only as far as a budget of 3 % of the line's time allows: so
// with a timeout of 500 ms one dead unit of sixteen costs the others under 5 %, and four under 10 %, counted
// from the minute in which they die and on a line that is busy all the time. The first good answer ends it. A
// line that cannot be opened is tried again after 1 s, doubling to 30 s.
class LineWorker {
public:
    // Takes what it needs of `fleet` by value. `sink` and `clock` must outlive the worker. Nothing runs
    // before start(). A line without probes is never opened.
    LineWorker(fleet::Fleet const& fleet, fleet::LineIndex line, Sink& sink, Clock const& clock,
               WorkerOptions options = {});
    // Stops and waits, as stop() does.
    ~LineWorker();
    LineWorker(LineWorker const&) = delete;
    LineWorker& operator=(LineWorker const&) = delete;

    void start();
    // Asks the worker to end and returns at once: for ending many together.
    void interrupt();
    // Ends the worker. Returns when its thread is gone and no call to the sink will come any more: after at
    // most the request under way (one timeout) or one attempt to connect.
    void stop();

    // From any thread.
    [[nodiscard]] LineStatistics statistics() const;

private:
    struct Unit {
        fleet::ProbeIndex probe = 0;
        ProbeReader reader;
        std::chrono::nanoseconds interval{};
        int silences = 0;       // polls in a row without an answer
        bool answered = false;  // the last poll got an answer, if only an exception
    };
    struct Run;

    void run(std::stop_token const& stop);
    void poll(Run& run, std::size_t index);
    bool ensure_open(Run& run);
    void set_up(Run& run, bool up, LinkError error);
    void report(std::size_t index, ProbeRead const& read);
    void record_fault(std::size_t index, Timestamp at, LinkError error);
    void count_slots(std::size_t index, std::uint64_t missed, std::uint64_t spared);
    [[nodiscard]] bool others_answer(std::size_t index) const;

    fleet::LineIndex line_index_;
    fleet::Line line_;
    Sink& sink_;
    Clock const& clock_;
    Jitter jitter_;
    std::vector<Unit> units_;  // touched by the worker's thread only

    mutable std::mutex mutex_;  // guards statistics_ alone
    LineStatistics statistics_;

    Sleep between_polls_;
    std::jthread thread_;  // last: it uses all of the above
};

}  // namespace probekeeper::fieldbus
