#include "fieldbus/serial_port.h"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>
#include <cerrno>
#include <optional>

namespace probekeeper::fieldbus {
namespace {

std::optional<speed_t> speed_of(int baud) {
    switch (baud) {
        case 300:
            return B300;
        case 600:
            return B600;
        case 1200:
            return B1200;
        case 2400:
            return B2400;
        case 4800:
            return B4800;
        case 9600:
            return B9600;
        case 19200:
            return B19200;
        case 38400:
            return B38400;
        case 57600:
            return B57600;
        case 115200:
            return B115200;
        case 230400:
            return B230400;
        case 460800:
            return B460800;
        case 921600:
            return B921600;
        default:
            return std::nullopt;
    }
}

// A pseudo terminal (Linux majors 136 to 143, kernel's devices.txt) has no parity and says EINVAL when asked
// for it a second time; simulated devices use them.
bool is_pseudo_terminal(int fd) {
    struct stat status {};
    return ::fstat(fd, &status) == 0 && major(status.st_rdev) >= 136 && major(status.st_rdev) <= 143;
}

// Non-zero settings of the frame; everything else that a terminal does to bytes is off.
tcflag_t frame_flags(fleet::Line const& line) {
    tcflag_t flags = CREAD | CLOCAL | (line.data_bits == 7 ? CS7 : CS8);
    if (line.stop_bits == 2) {
        flags |= CSTOPB;
    }
    if (line.parity != fleet::Parity::none) {
        flags |= PARENB;
    }
    if (line.parity == fleet::Parity::odd) {
        flags |= PARODD;
    }
    return flags;
}

// 0, or the errno.
int configure(int fd, fleet::Line const& line) {
    auto const speed = speed_of(line.baud);
    if (!speed) {
        return EINVAL;
    }
    termios settings{};
    settings.c_cflag = frame_flags(line);
    if (is_pseudo_terminal(fd)) {
        settings.c_cflag &= ~static_cast<tcflag_t>(PARENB | PARODD);
    }
    settings.c_iflag = (settings.c_cflag & PARENB) != 0 ? INPCK : 0;
    if (::cfsetispeed(&settings, *speed) != 0 || ::cfsetospeed(&settings, *speed) != 0 ||
        ::tcsetattr(fd, TCSANOW, &settings) != 0) {
        return errno;
    }
    ::tcflush(fd, TCIOFLUSH);
    return 0;
}

}  // namespace

LinkResult<Descriptor> open_serial(fleet::Line const& line) {
    Descriptor port{::open(line.device.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC)};
    if (!port) {
        bool const exhausted = errno == EMFILE || errno == ENFILE;
        return LinkError{exhausted ? Fault::no_descriptor : Fault::open_failed, errno};
    }
    if (!port.fits_select()) {
        return LinkError{Fault::no_descriptor, port.get()};
    }
    if (::isatty(port.get()) == 0) {
        return LinkError{Fault::open_failed, ENOTTY};
    }
    if (::flock(port.get(), LOCK_EX | LOCK_NB) != 0) {
        return LinkError{Fault::open_failed, errno == EWOULDBLOCK ? EBUSY : errno};
    }
    int const error = ::ioctl(port.get(), TIOCEXCL) != 0 ? errno : configure(port.get(), line);
    if (error != 0) {
        release_serial(port);
        return LinkError{Fault::open_failed, error};
    }
    return port;
}

void release_serial(Descriptor& port) noexcept {
    if (port) {
        ::ioctl(port.get(), TIOCNXCL);
        port.reset();
    }
}

}  // namespace probekeeper::fieldbus
