#include "sockets/descriptors.h"

#include <fcntl.h>
#include <unistd.h>

namespace probekeeper::sockets {

int moved_up(int fd) {
    if (fd < 0 || fd >= first_high_descriptor) {
        return fd;
    }
    int const high = ::fcntl(fd, F_DUPFD_CLOEXEC, first_high_descriptor);
    if (high < 0) {
        return fd;  // EINVAL or EMFILE: there is no number up there to be had
    }
    ::close(fd);
    return high;
}

}  // namespace probekeeper::sockets
