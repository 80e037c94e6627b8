// A disk that fails on purpose: a SQLite VFS that hands everything to the system's one, except that the n-th
// operation that may fail from now on does: opening, writing, syncing, truncating or deleting a file, or
// making room for the log's index. A disk that is slow on purpose: each sync takes its time.
#pragma once

#include <chrono>

namespace probekeeper::store::test {

enum class DiskFault { full, io };
enum class Lasts { until_healed, once };

class FailingDisk {
public:
    FailingDisk();  // becomes the default for connections opened from now on
    ~FailingDisk();
    FailingDisk(FailingDisk&&) = delete;

    void fail_after(int operations, DiskFault fault, Lasts lasts = Lasts::until_healed);
    void slow_down(std::chrono::milliseconds each_sync);  // 0: as fast as it is
    void heal();
    [[nodiscard]] bool has_failed() const;
};

}  // namespace probekeeper::store::test
