#include "api/descriptors.h"

#include <fcntl.h>
#include <unistd.h>

namespace probekeeper::api {

int moved_up(int fd) {
    constexpr int first_high = 1024;
    if (fd >= first_high) {
        return fd;
    }
    int const high = ::fcntl(fd, F_DUPFD_CLOEXEC, first_high);
    if (high < 0) {
        return fd;  // EINVAL or EMFILE: there is no number up there to be had
    }
    ::close(fd);
    return high;
}

}  // namespace probekeeper::api
