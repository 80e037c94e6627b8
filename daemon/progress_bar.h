// A bar on a terminal; nothing where stderr is none.
#pragma once

#include <spdlog/fmt/fmt.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <string>

#include "base/time.h"
#include "replay/replay.h"

namespace probekeeper::daemon {

class ProgressBar {
public:
    ProgressBar() : terminal_{isatty(STDERR_FILENO) == 1} {}

    void show(replay::Progress const& p) {
        auto const now = std::chrono::steady_clock::now();
        bool const last = p.bytes_total != 0 && p.bytes_read >= p.bytes_total;
        if (!terminal_ || (!last && now - shown_ < std::chrono::milliseconds{100})) {
            return;
        }
        shown_ = now;
        double const part =
            p.bytes_total == 0 ? 0.0 : static_cast<double>(p.bytes_read) / static_cast<double>(p.bytes_total);
        auto const filled = static_cast<std::size_t>(part * width);
        fmt::print(stderr, "\r[{}{}] {:3.0f} %  {:.1f} M readings  {}", std::string(filled, '#'),
                   std::string(width - filled, '.'), 100.0 * part, static_cast<double>(p.readings) / 1e6,
                   to_rfc3339(p.at).substr(0, 10));
        drawn_ = true;
    }
    ~ProgressBar() {
        if (drawn_) {
            fmt::print(stderr, "\n");
        }
    }

private:
    static constexpr std::size_t width = 40;
    bool terminal_, drawn_ = false;
    std::chrono::steady_clock::time_point shown_{};
};

}  // namespace probekeeper::daemon
