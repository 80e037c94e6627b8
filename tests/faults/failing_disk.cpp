// Preloaded into the daemon: a disk that fails or is slow, for the files whose path contains FAILING_DISK_FILES, as the
// first word of the file FAILING_DISK_SAYS tells at that moment:
//   full   writing has no room left            read-only   nothing can be written or made
//   broken writing and syncing fail            slow        each sync takes a second
//   anything else, or no such file: the disk is well
#include <dlfcn.h>
#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <string_view>
#include <thread>

namespace {

enum class Mood { well, full, read_only, broken, slow };

template <typename Function>
Function* real(char const* name) {
    return reinterpret_cast<Function*>(dlsym(RTLD_NEXT, name));
}

bool is_meant(char const* path) {
    char const* const files = std::getenv("FAILING_DISK_FILES");
    return files != nullptr && std::strstr(path, files) != nullptr;
}

bool is_meant(int descriptor) {
    char link[64], path[4096];
    std::snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    auto const length = readlink(link, path, sizeof path - 1);
    if (length <= 0) {
        return false;
    }
    path[length] = '\0';
    return is_meant(path);
}

Mood mood() {
    static auto* const really_open = real<int(char const*, int, ...)>("open");
    char const* const says = std::getenv("FAILING_DISK_SAYS");
    int const file = says == nullptr ? -1 : really_open(says, O_RDONLY | O_CLOEXEC);
    if (file < 0) {
        return Mood::well;
    }
    char word[16]{};
    auto const length = read(file, word, sizeof word - 1);
    close(file);
    std::string_view const said{word, length > 0 ? static_cast<std::size_t>(length) : 0};
    return said.starts_with("full")        ? Mood::full
           : said.starts_with("read-only") ? Mood::read_only
           : said.starts_with("broken")    ? Mood::broken
           : said.starts_with("slow")      ? Mood::slow
                                           : Mood::well;
}

// 0, or the errno of a write.
int refused(int descriptor) {
    if (!is_meant(descriptor)) {
        return 0;
    }
    switch (mood()) {
        case Mood::full:
            return ENOSPC;
        case Mood::read_only:
            return EROFS;
        case Mood::broken:
            return EIO;
        case Mood::well:
        case Mood::slow:
            return 0;
    }
    return 0;
}

int sync_with(char const* name, int descriptor) {
    if (is_meant(descriptor)) {
        auto const now = mood();
        if (now == Mood::broken) {
            errno = EIO;
            return -1;
        }
        if (now == Mood::slow) {
            std::this_thread::sleep_for(std::chrono::seconds{1});
        }
    }
    return real<int(int)>(name)(descriptor);
}

int open_with(char const* name, char const* path, int flags, mode_t mode) {
    bool const changes = (flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC)) != 0;
    if (changes && is_meant(path) && mood() == Mood::read_only) {
        errno = EROFS;
        return -1;
    }
    return real<int(char const*, int, ...)>(name)(path, flags, mode);
}

template <typename... Arguments, typename Function>
auto unless_refused(int descriptor, Function* really, Arguments... arguments) -> decltype(really(descriptor, arguments...)) {
    if (int const why = refused(descriptor); why != 0) {
        errno = why;
        return -1;
    }
    return really(descriptor, arguments...);
}

mode_t mode_in(int flags, va_list list) {
    return (flags & O_CREAT) != 0 ? static_cast<mode_t>(va_arg(list, unsigned)) : 0;
}

}  // namespace

extern "C" {

ssize_t pwrite(int d, void const* data, size_t size, off_t at) {
    return unless_refused(d, real<ssize_t(int, void const*, size_t, off_t)>("pwrite"), data, size, at);
}
ssize_t pwrite64(int d, void const* data, size_t size, off64_t at) {
    return unless_refused(d, real<ssize_t(int, void const*, size_t, off64_t)>("pwrite64"), data, size, at);
}
ssize_t write(int d, void const* data, size_t size) {
    return unless_refused(d, real<ssize_t(int, void const*, size_t)>("write"), data, size);
}
int ftruncate(int d, off_t size) noexcept {
    return unless_refused(d, real<int(int, off_t)>("ftruncate"), size);
}
int ftruncate64(int d, off64_t size) noexcept {
    return unless_refused(d, real<int(int, off64_t)>("ftruncate64"), size);
}
int fsync(int d) {
    return sync_with("fsync", d);
}
int fdatasync(int d) {
    return sync_with("fdatasync", d);
}
int open(char const* path, int flags, ...) {
    va_list list;
    va_start(list, flags);
    auto const mode = mode_in(flags, list);
    va_end(list);
    return open_with("open", path, flags, mode);
}
int open64(char const* path, int flags, ...) {
    va_list list;
    va_start(list, flags);
    auto const mode = mode_in(flags, list);
    va_end(list);
    return open_with("open64", path, flags, mode);
}

}  // extern "C"
