#include "intake/in_order.h"

#include <algorithm>

namespace probekeeper::intake {

void InOrder::push(Row const& row, std::uint64_t line) {
    forget_popped();
    if (free_.empty()) {
        free_.push_back(static_cast<std::uint32_t>(rows_.size()));
        rows_.emplace_back();
    }
    std::uint32_t const slot = free_.back();
    free_.pop_back();
    rows_[slot] = row;
    order_.push_back({row.reading.time, row.probe, slot, line});
    if (row.reading.time > newest_) {
        newest_ = row.reading.time;
        newest_line_ = line;
    }
}

void InOrder::release(bool everything) {
    forget_popped();
    if (!std::is_sorted(order_.begin(), order_.end())) {
        std::sort(order_.begin(), order_.end());
    }
    auto const end =
        everything ? order_.end() : std::partition_point(order_.begin(), order_.end(), [&](Key const& key) {
            return key.time < newest_ - window;
        });
    ready_ = static_cast<std::size_t>(end - order_.begin());
    // A batch grows with what stays behind, so that sorting that again and again stays cheap.
    std::size_t const waiting = order_.size() - ready_;
    enough_ = std::max(smallest_batch, waiting + waiting / 2);
}

InOrder::Ready InOrder::pop() {
    if (next_ == ready_) {
        return {};
    }
    Key const& key = order_[next_++];
    return {&rows_[key.slot], key.line};
}

void InOrder::forget_popped() {
    if (next_ == 0) {
        return;
    }
    for (std::size_t i = next_; i-- > 0;) {  // backwards: slots are then used again in the order of time
        free_.push_back(order_[i].slot);
    }
    order_.erase(order_.begin(), order_.begin() + static_cast<std::ptrdiff_t>(next_));
    next_ = 0;
    ready_ = 0;
}

}  // namespace probekeeper::intake
