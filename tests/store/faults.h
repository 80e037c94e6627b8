// A disk that fails on purpose: a SQLite VFS that hands everything to the system's one, except that the n-th
// write, sync or truncation from now on fails, and all that follow until heal().
#pragma once

namespace probekeeper::store::test {

enum class DiskFault { full, io };

class FailingDisk {
public:
    FailingDisk();  // becomes the default for connections opened from now on
    ~FailingDisk();
    FailingDisk(FailingDisk&&) = delete;

    void fail_after(int operations, DiskFault fault);
    void heal();
    [[nodiscard]] bool has_failed() const;
};

}  // namespace probekeeper::store::test
