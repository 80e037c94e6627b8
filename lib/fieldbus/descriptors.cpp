#include "fieldbus/descriptors.h"

#include <unistd.h>

namespace probekeeper::fieldbus {

void Descriptor::reset(int fd) noexcept {
    if (fd_ >= 0) {
        ::close(fd_);  // a failure leaves nothing to do: the number is gone either way
    }
    fd_ = fd;
}

}  // namespace probekeeper::fieldbus
