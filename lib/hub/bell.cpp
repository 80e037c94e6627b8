#include "hub/bell.h"

#include <sys/eventfd.h>
#include <unistd.h>

#include <cerrno>
#include <cstdint>
#include <system_error>

namespace probekeeper::hub {

Bell::Bell() : descriptor_{::eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC)} {
    if (descriptor_ < 0) {
        throw std::system_error{errno, std::generic_category(), "eventfd"};
    }
}
Bell::~Bell() {
    ::close(descriptor_);
}
void Bell::ring() {
    std::uint64_t const once = 1;
    static_cast<void>(!::write(descriptor_, &once, sizeof once));  // full: it rings already
}
void Bell::silence() {
    std::uint64_t rung = 0;
    static_cast<void>(!::read(descriptor_, &rung, sizeof rung));
}

}  // namespace probekeeper::hub
