#include "api/events.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

namespace probekeeper::api {

std::string wire_text(Event const& event) {
    return fmt::format("id: {}\nevent: {}\ndata: {}\n\n", event.id, event.kind, event.data);
}

Event EventHub::publish(Timestamp at, std::string kind, std::string site, std::string data) {
    std::scoped_lock const lock{mutex_};
    keep({last_ + 1, at, std::move(kind), std::move(site), std::move(data)});
    return events_.back();
}

void EventHub::add(Event event) {
    std::scoped_lock const lock{mutex_};
    keep(std::move(event));
}

// Under the lock.
void EventHub::keep(Event event) {
    last_ = event.id;
    events_.push_back(std::move(event));
    if (events_.size() > in_memory_most) {
        before_ = events_.front().id;
        events_.pop_front();
    }
    for (auto const& [number, woken] : listeners_) {
        woken();
    }
}

std::optional<std::vector<Event>> EventHub::after(std::int64_t id, std::size_t most) const {
    std::scoped_lock const lock{mutex_};
    if (id < before_) {
        return std::nullopt;
    }
    auto const first =
        std::upper_bound(events_.begin(), events_.end(), id,
                         [](std::int64_t number, Event const& event) { return number < event.id; });
    auto const count = std::min<std::size_t>(most, static_cast<std::size_t>(events_.end() - first));
    return std::vector<Event>(first, first + static_cast<std::ptrdiff_t>(count));
}

std::vector<Event> EventHub::oldest(std::size_t most) const {
    std::scoped_lock const lock{mutex_};
    auto const count = static_cast<std::ptrdiff_t>(std::min(most, events_.size()));
    return {events_.begin(), events_.begin() + count};
}

std::int64_t EventHub::last() const {
    std::scoped_lock const lock{mutex_};
    return last_;
}

int EventHub::listen(std::function<void()> woken) {
    std::scoped_lock const lock{mutex_};
    listeners_.emplace(next_listener_, std::move(woken));
    return next_listener_++;
}

void EventHub::unlisten(int listener) {
    std::scoped_lock const lock{mutex_};
    listeners_.erase(listener);
}

}  // namespace probekeeper::api
