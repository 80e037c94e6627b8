#include "store/lock.h"

#include <fcntl.h>
#include <spdlog/fmt/fmt.h>
#include <sys/file.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <string>
#include <system_error>
#include <utility>

#include "base/text.h"
#include "store/sqlite.h"

namespace probekeeper::store {

namespace {

std::string reason_text(int code) {
    return std::generic_category().message(code);
}

// The holder writes its process number into the file; it may not have got there yet.
std::string holder(int descriptor) {
    std::array<char, 32> content{};
    auto const size = pread(descriptor, content.data(), content.size() - 1, 0);
    auto const pid = parse_integer(trimmed({content.data(), size > 0 ? static_cast<std::size_t>(size) : 0}));
    return pid ? fmt::format("process {}", *pid) : std::string{"another process"};
}

}  // namespace

StoreLock::StoreLock(std::filesystem::path const& store) {
    auto const path = store.string() + ".lock";
    descriptor_ = open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (descriptor_ < 0) {
        refuse(Fault::io, fmt::format("cannot make '{}': {}: the store's folder must exist and be writable",
                                      path, reason_text(errno)));
    }
    if (flock(descriptor_, LOCK_EX | LOCK_NB) != 0) {
        auto const message = fmt::format(
            "store '{}' is in use by {}: one run per store; stop that one first, or give this one its own "
            "store.path",
            store.string(), holder(descriptor_));
        close(descriptor_);
        refuse(Fault::in_use, message);
    }
    auto const pid = fmt::format("{}", getpid());
    // Only for the message above: a disk too full for eight bytes must not keep the daemon from starting.
    if (ftruncate(descriptor_, 0) == 0) {
        [[maybe_unused]] auto const written = pwrite(descriptor_, pid.data(), pid.size(), 0);
    }
}

StoreLock::StoreLock(StoreLock&& other) noexcept : descriptor_{std::exchange(other.descriptor_, -1)} {}

StoreLock::~StoreLock() {
    if (descriptor_ >= 0) {
        close(descriptor_);
    }
}

}  // namespace probekeeper::store
