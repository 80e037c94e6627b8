// A sink that remembers, and lets a test wait for what it wants to see.
#pragma once

#include <chrono>
#include <condition_variable>
#include <functional>
#include <mutex>
#include <vector>

#include "fieldbus/poller.h"

namespace probekeeper::fieldbus::test {

class RememberingSink final : public Sink {
public:
    struct Got {
        fleet::ProbeIndex probe = 0;
        Reading reading;
    };
    struct Failed {
        fleet::ProbeIndex probe = 0;
        LinkError error;
    };
    struct State {
        bool up = false;
        LinkError error;
    };
    struct Memory {
        std::vector<Got> readings;
        std::vector<Failed> faults;
        std::vector<State> states;
        [[nodiscard]] std::size_t readings_of(fleet::ProbeIndex probe) const {
            std::size_t count = 0;
            for (auto const& got : readings) {
                count += got.probe == probe ? 1 : 0;
            }
            return count;
        }
        [[nodiscard]] std::size_t faults_of(fleet::ProbeIndex probe, Fault fault) const {
            std::size_t count = 0;
            for (auto const& failed : faults) {
                count += failed.probe == probe && failed.error.fault == fault ? 1 : 0;
            }
            return count;
        }
    };

    void reading(fleet::ProbeIndex probe, Reading const& reading) override {
        std::scoped_lock const lock{mutex_};
        memory_.readings.push_back({probe, reading});
        changed_.notify_all();
    }
    void fault(fleet::ProbeIndex probe, Timestamp, Fault fault, int code) override {
        std::scoped_lock const lock{mutex_};
        memory_.faults.push_back({probe, {fault, code}});
        changed_.notify_all();
    }
    void line_state(fleet::LineIndex, bool up, LinkError error, Timestamp) override {
        std::scoped_lock const lock{mutex_};
        memory_.states.push_back({up, error});
        changed_.notify_all();
    }

    // Whether `wanted` came true within half a minute.
    [[nodiscard]] bool wait_for(std::function<bool(Memory const&)> const& wanted) {
        std::unique_lock lock{mutex_};
        return changed_.wait_until(lock, std::chrono::system_clock::now() + std::chrono::seconds{30},
                                   [&] { return wanted(memory_); });
    }
    [[nodiscard]] Memory memory() const {
        std::scoped_lock const lock{mutex_};
        return memory_;
    }

private:
    mutable std::mutex mutex_;
    std::condition_variable changed_;
    Memory memory_;
};

}  // namespace probekeeper::fieldbus::test
