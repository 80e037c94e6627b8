#include "fieldbus/descriptors.h"

#include <fcntl.h>
#include <unistd.h>

namespace probekeeper::fieldbus {

void Descriptor::reset(int fd) noexcept {
    if (fd_ >= 0) {
        ::close(fd_);  // a failure leaves nothing to do: the number is gone either way
    }
    fd_ = fd;
}

int keep_low_descriptors(int fd) {
    if (fd < 0 || fd >= first_high_descriptor) {
        return fd;
    }
    int const high = ::fcntl(fd, F_DUPFD_CLOEXEC, first_high_descriptor);
    if (high < 0) {
        return fd;
    }
    ::close(fd);
    return high;
}

}  // namespace probekeeper::fieldbus
