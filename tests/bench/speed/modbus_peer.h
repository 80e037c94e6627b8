// Modbus TCP devices in a process of their own, so that what they cost is not counted as ours.
#pragma once

#include <sys/types.h>

#include <chrono>
#include <cstdint>
#include <vector>

namespace probekeeper::bench {

struct Conduct {
    int living_units = 247;              // units above are silent
    std::chrono::microseconds takes{0};  // for each answer, during which nobody else is answered: a gateway
};

struct Listener {
    int socket = -1;
    std::uint16_t port = 0;
};

// On loopback, any free port.
[[nodiscard]] Listener listen_on_loopback();

// Answers reads (functions 1 to 4) of the map of two floats and three bits, oxygen with a probe's noise, on
// all of `listeners`, until the process ends.
[[noreturn]] void serve_modbus(std::vector<Listener> const& listeners, Conduct const& conduct);

// A child that runs `work`; it is ended with its owner, or with this process.
class Child {
public:
    template <typename Work>
    explicit Child(Work work) : pid_{begin()} {
        if (pid_ == 0) {
            work();
        }
    }
    ~Child();
    Child(Child const&) = delete;
    Child& operator=(Child const&) = delete;

private:
    static pid_t begin();
    pid_t pid_;
};

}  // namespace probekeeper::bench
