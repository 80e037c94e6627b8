// Puts rows that are in time order to within five minutes into the order of (time, probe). Works in batches,
// so that a row costs little however many probes share the five minutes.
#pragma once

#include <compare>
#include <cstdint>
#include <vector>

#include "base/reading.h"
#include "fleet/fleet.h"

namespace probekeeper::intake {

struct Row {
    fleet::ProbeIndex probe = 0;
    Reading reading;
};

class InOrder {
public:
    static constexpr Millis window = std::chrono::minutes{5};

    // Of rows with the same time and probe, the one on the earlier line comes first.
    struct Ready {
        Row const* row = nullptr;  // null where release() must be called first; valid until the next push()
        std::uint64_t line = 0;
    };

    // False for a row that comes too late, measured by the newest one pushed before.
    [[nodiscard]] bool in_time(Timestamp time) const { return time >= newest_ - window; }
    // Only rows in time, and only while nothing that is ready waits to be popped.
    void push(Row const& row, std::uint64_t line);
    // True when enough has gathered for release() to be worth its cost.
    [[nodiscard]] bool full() const { return order_.size() >= enough_; }
    // Makes ready what nothing can come before any more; at the end of the file that is everything.
    void release(bool everything);
    [[nodiscard]] Ready pop();

    // The newest row that was pushed.
    [[nodiscard]] Timestamp newest() const { return newest_; }
    [[nodiscard]] std::uint64_t newest_line() const { return newest_line_; }

private:
    static constexpr std::size_t smallest_batch = 4096;
    struct Key {
        Timestamp time;
        fleet::ProbeIndex probe;
        std::uint32_t slot;  // in rows_
        std::uint64_t line;
        [[nodiscard]] bool operator<(Key const& other) const {
            return time != other.time     ? time < other.time
                   : probe != other.probe ? probe < other.probe
                                          : line < other.line;
        }
    };
    void forget_popped();

    std::vector<Row> rows_;            // in no order: rows stay in their slot while keys are sorted
    std::vector<std::uint32_t> free_;  // slots of rows_ that hold nothing any more
    std::vector<Key> order_;
    std::size_t next_ = 0, ready_ = 0;  // of order_: the next to pop, and the end of what is ready
    std::size_t enough_ = smallest_batch;
    Timestamp newest_ = Timestamp::min() + window;  // so that nothing is late before the first row
    std::uint64_t newest_line_ = 0;
};

}  // namespace probekeeper::intake
