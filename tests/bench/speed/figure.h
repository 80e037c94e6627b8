// One figure of a benchmark, printed as a line of JSON.
#pragma once

#include <spdlog/fmt/fmt.h>

#include <time.h>

#include <chrono>
#include <functional>
#include <string>

namespace probekeeper::bench {

struct Figure {
    std::string name, unit, baseline, goal;
    double value = 0.0, baseline_value = 0.0, ratio = 0.0;
    bool met = false;
};

inline void print(Figure const& f) {
    fmt::print(
        "{{\"name\":\"{}\",\"value\":{:.4g},\"unit\":\"{}\",\"baseline\":\"{}\",\"baseline_value\":{:.4g},"
        "\"ratio\":{:.4g},\"goal\":\"{}\",\"met\":{}}}\n",
        f.name, f.value, f.unit, f.baseline, f.baseline_value, f.ratio, f.goal, f.met);
    std::fflush(stdout);
}

inline double seconds_of(std::function<void()> const& work) {
    auto const begun = std::chrono::steady_clock::now();
    work();
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count();
}

// Of this process, all threads together: for what only computes, so that what else the machine does is not in
// it.
inline double processor_seconds_of(std::function<void()> const& work) {
    auto const now = [] {
        timespec time{};
        ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &time);
        return static_cast<double>(time.tv_sec) + 1e-9 * static_cast<double>(time.tv_nsec);
    };
    double const begun = now();
    work();
    return now() - begun;
}

}  // namespace probekeeper::bench
