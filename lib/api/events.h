// What happens, told to those who listen: numbered, in one order, and kept for those who come back.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::api {

struct Event {
    std::int64_t id = 0;
    Timestamp at{};
    std::string kind;  // ticket, condition, line
    std::string site;
    std::string data;  // a JSON document, on one line
};

// As an event stream writes it (HTML standard, section 9.2).
[[nodiscard]] std::string wire_text(Event const& event);

// Thread-safe; no call blocks.
class EventHub {
public:
    // Numbers go on behind `last`.
    explicit EventHub(std::int64_t last = 0) : last_{last}, before_{last} {}

    // Numbers the event, keeps it in memory and wakes the listeners. Whoever calls it also stores what it
    // gives.
    Event publish(Timestamp at, std::string kind, std::string site, std::string data);

    // Likewise with an event that somebody else has numbered, above all before it.
    void add(Event event);

    // The events with numbers above `id`, at most `most`; empty where the memory does not reach back so far.
    [[nodiscard]] std::optional<std::vector<Event>> after(std::int64_t id, std::size_t most) const;
    [[nodiscard]] std::vector<Event> oldest(std::size_t most) const;  // in memory
    [[nodiscard]] std::int64_t last() const;

    // `woken` is called from the thread that publishes, and must be short. Ends with unlisten().
    int listen(std::function<void()> woken);
    void unlisten(int listener);

private:
    void keep(Event event);

    static constexpr std::size_t in_memory_most = 1000;

    mutable std::mutex mutex_;
    std::int64_t last_, before_;  // numbers of the newest event, and of the one before the oldest in memory
    std::deque<Event> events_;
    std::map<int, std::function<void()>> listeners_;
    int next_listener_ = 0;
};

}  // namespace probekeeper::api
