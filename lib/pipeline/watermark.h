// Puts the readings of one site into the order of (time, probe), in which diagnosis must have them. Lines
// answer when they like, so a reading waits until none that belongs before it can still come.
#pragma once

#include <algorithm>
#include <vector>

#include "base/reading.h"
#include "fleet/fleet.h"

namespace probekeeper::pipeline {

class Watermark {
public:
    struct Item {
        fleet::ProbeIndex probe = 0;
        Reading reading;
    };

    explicit Watermark(Millis delay) : delay_{delay} {}

    // False where the reading comes behind the mark: it can no longer be put in order, and is not used.
    [[nodiscard]] bool push(fleet::ProbeIndex probe, Reading const& reading) {
        if (reading.time <= mark_) {
            return false;
        }
        waiting_.push_back({probe, reading});
        std::push_heap(waiting_.begin(), waiting_.end(), later);
        return true;
    }

    // Moves the mark to `now` less the delay and hands over, in order, what lies at or before it.
    template <typename Take>
    void release(Timestamp now, Take take) {
        mark_ = std::max(mark_, now - delay_);
        while (!waiting_.empty() && waiting_.front().reading.time <= mark_) {
            std::pop_heap(waiting_.begin(), waiting_.end(), later);
            take(waiting_.back().probe, waiting_.back().reading);
            waiting_.pop_back();
        }
    }

    // Everything up to here has been handed over.
    [[nodiscard]] Timestamp mark() const { return mark_; }
    void start_at(Timestamp mark) { mark_ = mark; }
    [[nodiscard]] std::size_t waiting() const { return waiting_.size(); }

private:
    static bool later(Item const& a, Item const& b) {
        return a.reading.time != b.reading.time ? a.reading.time > b.reading.time : a.probe > b.probe;
    }

    Millis delay_;
    Timestamp mark_ = Timestamp::min();
    std::vector<Item> waiting_;  // a heap, the earliest in front
};

}  // namespace probekeeper::pipeline
