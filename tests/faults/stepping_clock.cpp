// Preloaded into the daemon: a system clock that is as many seconds off as the file STEPPING_CLOCK_SAYS tells at that
// moment. The steady clock goes on as it does.
#include <dlfcn.h>
#include <fcntl.h>
#include <sys/time.h>
#include <unistd.h>

#include <cstdlib>
#include <ctime>

namespace {

long offset_s() {
    char const* const says = std::getenv("STEPPING_CLOCK_SAYS");
    int const file = says == nullptr ? -1 : open(says, O_RDONLY | O_CLOEXEC);
    if (file < 0) {
        return 0;
    }
    char number[24]{};
    auto const length = read(file, number, sizeof number - 1);
    close(file);
    return length > 0 ? std::strtol(number, nullptr, 10) : 0;
}

using ClockGettime = int(clockid_t, timespec*);

int really(clockid_t clock, timespec* to) {
    static auto* const function = reinterpret_cast<ClockGettime*>(dlsym(RTLD_NEXT, "clock_gettime"));
    return function(clock, to);
}

}  // namespace

extern "C" {

int clock_gettime(clockid_t clock, timespec* to) noexcept {
    int const code = really(clock, to);
    if (code == 0 && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) {
        to->tv_sec += offset_s();
    }
    return code;
}

int gettimeofday(timeval* __restrict to, void* __restrict) noexcept {
    timespec now{};
    int const code = clock_gettime(CLOCK_REALTIME, &now);
    to->tv_sec = now.tv_sec;
    to->tv_usec = now.tv_nsec / 1000;
    return code;
}

time_t time(time_t* to) noexcept {
    timespec now{};
    static_cast<void>(clock_gettime(CLOCK_REALTIME, &now));
    if (to != nullptr) {
        *to = now.tv_sec;
    }
    return now.tv_sec;
}

}  // extern "C"
