#include "store/backup.h"

#include <fcntl.h>
#include <spdlog/fmt/fmt.h>
#include <sys/stat.h>
#include <unistd.h>

#include <system_error>

#include "store/sqlite.h"

namespace probekeeper::store {

namespace {

using BackupHandle = std::unique_ptr<sqlite3_backup, Freed<&sqlite3_backup_finish>>;

void copy(Database& source, Database& copy) {
    // One step for all pages: in pieces it would begin again at each commit of the daemon's.
    BackupHandle job{sqlite3_backup_init(copy.handle(), "main", source.handle(), "main")};
    if (!job || sqlite3_backup_step(job.get(), -1) != SQLITE_DONE) {
        copy.fail("copying");
    }
}

// Before SQLite makes it: a copy holds all that the store does, and is for its owner alone whatever the
// umask.
void make_private(std::filesystem::path const& path) {
    int const descriptor = open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, S_IRUSR | S_IWUSR);
    if (descriptor < 0) {
        refuse(Fault::io,
               fmt::format("cannot create '{}': {}", path.string(), std::generic_category().message(errno)));
    }
    close(descriptor);
}

void sync_to_disk(std::filesystem::path const& path) {
    int const descriptor = open(path.c_str(), O_RDONLY | O_CLOEXEC);
    bool const synced = descriptor >= 0 && fsync(descriptor) == 0;
    int const why = errno;
    if (descriptor >= 0) {
        close(descriptor);
    }
    if (!synced) {
        refuse(Fault::io, fmt::format("cannot write '{}' to its disk: {}", path.string(),
                                      std::generic_category().message(why)));
    }
}

void remove_quietly(std::filesystem::path const& path) {
    std::error_code ignored;  // a leftover does no harm: the next backup removes it
    std::filesystem::remove(path, ignored);
}

}  // namespace

Result<void> backup(std::filesystem::path const& from, std::filesystem::path const& to) {
    std::error_code different;
    if (std::filesystem::equivalent(from, to, different)) {
        return Failure{Fault::conflict,
                       fmt::format("'{}' is the store itself: give the copy another name", to.string())};
    }
    auto const unfinished = std::filesystem::path{to.string() + ".unfinished"};
    remove_quietly(unfinished);
    auto result = guarded([&] {
        {
            Database source{from, Access::read, Millis{5000}};
            make_private(unfinished);
            Database target{unfinished, Access::create, Millis{5000}};
            copy(source, target);
        }
        sync_to_disk(unfinished);
        std::error_code failed;
        std::filesystem::rename(unfinished, to, failed);
        if (failed) {
            refuse(Fault::io, fmt::format("cannot rename '{}' to '{}': {}", unfinished.string(), to.string(),
                                          failed.message()));
        }
        sync_to_disk(std::filesystem::absolute(to).parent_path());
    });
    if (result.has_error()) {
        remove_quietly(unfinished);
    }
    return result;
}

}  // namespace probekeeper::store
