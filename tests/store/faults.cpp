#include "store/faults.h"

#include <sqlite3.h>

#include <atomic>
#include <new>
#include <thread>

namespace probekeeper::store::test {

namespace {

std::atomic<int> left{-1};  // operations until the failure; negative: none planned
std::atomic<int> fault_code{SQLITE_FULL};
std::atomic<bool> failed{false};
std::atomic<bool> only_once{false};
std::atomic<int> sync_ms{0};

sqlite3_vfs* real = nullptr;

// SQLite allocates szOsFile bytes: our head, then the real file.
struct File {
    sqlite3_file base;
    sqlite3_file* inner;
};

sqlite3_file* inner(sqlite3_file* f) {
    return reinterpret_cast<File*>(f)->inner;
}

bool fails_now() {
    if (left < 0) {
        return false;
    }
    if (left == 0) {
        failed = true;
        left = only_once ? -1 : 0;
        return true;
    }
    --left;
    return false;
}

int io_close(sqlite3_file* f) {
    return inner(f)->pMethods->xClose(inner(f));
}
int io_read(sqlite3_file* f, void* to, int n, sqlite3_int64 at) {
    return inner(f)->pMethods->xRead(inner(f), to, n, at);
}
int io_write(sqlite3_file* f, void const* from, int n, sqlite3_int64 at) {
    return fails_now() ? fault_code.load() : inner(f)->pMethods->xWrite(inner(f), from, n, at);
}
int io_truncate(sqlite3_file* f, sqlite3_int64 size) {
    return fails_now() ? SQLITE_IOERR_TRUNCATE : inner(f)->pMethods->xTruncate(inner(f), size);
}
int io_sync(sqlite3_file*, int) {
    std::this_thread::sleep_for(std::chrono::milliseconds{sync_ms});
    return fails_now() ? SQLITE_IOERR_FSYNC : SQLITE_OK;  // not really: nobody cuts the power of a test
}
int io_size(sqlite3_file* f, sqlite3_int64* size) {
    return inner(f)->pMethods->xFileSize(inner(f), size);
}
int io_lock(sqlite3_file* f, int kind) {
    return inner(f)->pMethods->xLock(inner(f), kind);
}
int io_unlock(sqlite3_file* f, int kind) {
    return inner(f)->pMethods->xUnlock(inner(f), kind);
}
int io_check_lock(sqlite3_file* f, int* out) {
    return inner(f)->pMethods->xCheckReservedLock(inner(f), out);
}
int io_control(sqlite3_file* f, int op, void* arg) {
    return inner(f)->pMethods->xFileControl(inner(f), op, arg);
}
int io_sector(sqlite3_file* f) {
    return inner(f)->pMethods->xSectorSize(inner(f));
}
int io_traits(sqlite3_file* f) {
    return inner(f)->pMethods->xDeviceCharacteristics(inner(f));
}
int io_shm_map(sqlite3_file* f, int page, int size, int extend, void volatile** out) {
    if (extend != 0 && fails_now()) {
        *out = nullptr;
        return fault_code == SQLITE_FULL ? SQLITE_FULL : SQLITE_IOERR_SHMMAP;
    }
    return inner(f)->pMethods->xShmMap(inner(f), page, size, extend, out);
}
int io_shm_lock(sqlite3_file* f, int offset, int n, int flags) {
    return inner(f)->pMethods->xShmLock(inner(f), offset, n, flags);
}
void io_shm_barrier(sqlite3_file* f) {
    inner(f)->pMethods->xShmBarrier(inner(f));
}
int io_shm_unmap(sqlite3_file* f, int remove) {
    return inner(f)->pMethods->xShmUnmap(inner(f), remove);
}

sqlite3_io_methods const methods{2,         io_close,   io_read,     io_write,       io_truncate,  io_sync,
                                 io_size,   io_lock,    io_unlock,   io_check_lock,  io_control,   io_sector,
                                 io_traits, io_shm_map, io_shm_lock, io_shm_barrier, io_shm_unmap, nullptr,
                                 nullptr};

int vfs_open(sqlite3_vfs*, char const* name, sqlite3_file* f, int flags, int* out) {
    auto* const file =
        new (f) File{{nullptr}, reinterpret_cast<sqlite3_file*>(reinterpret_cast<File*>(f) + 1)};
    if (fails_now()) {
        return SQLITE_CANTOPEN;
    }
    int const code = real->xOpen(real, name, file->inner, flags, out);
    file->base.pMethods = code == SQLITE_OK ? &methods : nullptr;
    return code;
}

int vfs_delete(sqlite3_vfs*, char const* name, int) {
    return fails_now() ? SQLITE_IOERR_DELETE : real->xDelete(real, name, 0);
}

sqlite3_vfs failing{};

}  // namespace

FailingDisk::FailingDisk() {
    real = sqlite3_vfs_find("unix");
    failing = *real;
    failing.zName = "failing";
    failing.szOsFile = static_cast<int>(sizeof(File)) + real->szOsFile;
    failing.pNext = nullptr;
    failing.xOpen = vfs_open;
    failing.xDelete = vfs_delete;
    sqlite3_vfs_register(&failing, 1);
}

FailingDisk::~FailingDisk() {
    heal();
    slow_down(std::chrono::milliseconds{0});
    sqlite3_vfs_unregister(&failing);
    sqlite3_vfs_register(real, 1);
}

void FailingDisk::fail_after(int operations, DiskFault fault, Lasts lasts) {
    failed = false;
    only_once = lasts == Lasts::once;
    fault_code = fault == DiskFault::full ? SQLITE_FULL : SQLITE_IOERR_WRITE;
    left = operations;
}

void FailingDisk::slow_down(std::chrono::milliseconds each_sync) {
    sync_ms = static_cast<int>(each_sync.count());
}

void FailingDisk::heal() {
    left = -1;
}

bool FailingDisk::has_failed() const {
    return failed;
}

}  // namespace probekeeper::store::test
