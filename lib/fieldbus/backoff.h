// How often to ask those that do not answer.    (pure: time comes in as an argument)
#pragma once

#include <chrono>
#include <functional>

#include "fieldbus/wait.h"

namespace probekeeper::fieldbus {

// A random number in [0, 1), injected so that a test owns it.
using Jitter = std::function<double()>;

// When to try to open a line again: 1 s after the first failure, doubling to 30 s, each wait shortened by a
// random part of up to a half, so that many lines that fell together do not come back together.
class ConnectBackoff {
public:
    // An attempt was made at `now`; the next is allowed later, unless `answered` comes first.
    void attempted(SteadyTime now, Jitter const& jitter);
    // A device answered: the connection is good, and if it breaks it may be opened again at once.
    void answered();
    [[nodiscard]] bool allows(SteadyTime now) const { return now >= next_; }

private:
    int failures_ = 0;
    SteadyTime next_{};
};

// How many slots of its own a unit lets pass after `silences` polls in a row without an answer: none after
// the first, then 1, 3, 7, ..., so that a try comes at least every 60 s (every slot where polls are rarer
// than that).
[[nodiscard]] long slots_to_skip(int silences, std::chrono::nanoseconds poll_interval);

// What a line may spend on waiting for units that were silent twice already, so that they cost the others
// little however many they are: 3 % of the time, with nothing in the account to begin with and at most one
// timeout saved up. With a timeout of 500 ms that is a try every 17 s, for all of them together.
class RetryBudget {
public:
    RetryBudget(std::chrono::nanoseconds timeout, SteadyTime start);
    // Whether a wait of one timeout is affordable at `now`; if not, `affordable_at` says when.
    [[nodiscard]] bool allows(SteadyTime now) const { return now >= affordable_at(); }
    [[nodiscard]] SteadyTime affordable_at() const;
    void spend(SteadyTime now, std::chrono::nanoseconds waited);

private:
    std::chrono::nanoseconds timeout_;
    // The account as an instant: the balance at time t is (t - zero_at_) * 3 %, at most one timeout.
    SteadyTime zero_at_;
};

}  // namespace probekeeper::fieldbus
