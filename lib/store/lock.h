// The right to write to a store, held by one process at a time. It is a lock on a file beside the store,
// which the system releases when the process ends, however it ends; the file itself stays.
#pragma once

#include <filesystem>

namespace probekeeper::store {

class StoreLock {
public:
    // Throws Failed: Fault::in_use names the other process, Fault::io says why the file cannot be made.
    explicit StoreLock(std::filesystem::path const& store);
    ~StoreLock();
    StoreLock(StoreLock&& other) noexcept;
    StoreLock& operator=(StoreLock&&) = delete;

private:
    int descriptor_ = -1;
};

}  // namespace probekeeper::store
