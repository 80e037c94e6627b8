// File descriptors, and the low numbers among them that serial lines need.
#pragma once

#include <utility>

namespace probekeeper::fieldbus {

// libmodbus 3.1.6 waits with select(), whose sets end at 1023; a higher number aborts the process. So a
// serial line's descriptor is made by us and shown to libmodbus only when it is below this.
inline constexpr int first_high_descriptor = 1024;

// Owns one descriptor; -1 is none.
class Descriptor {
public:
    Descriptor() = default;
    explicit Descriptor(int fd) noexcept : fd_{fd} {}
    Descriptor(Descriptor&& other) noexcept : fd_{std::exchange(other.fd_, -1)} {}
    Descriptor& operator=(Descriptor&& other) noexcept {
        if (this != &other) {
            reset(std::exchange(other.fd_, -1));
        }
        return *this;
    }
    ~Descriptor() { reset(); }

    [[nodiscard]] int get() const noexcept { return fd_; }
    [[nodiscard]] explicit operator bool() const noexcept { return fd_ >= 0; }
    [[nodiscard]] bool fits_select() const noexcept { return fd_ >= 0 && fd_ < first_high_descriptor; }
    void reset(int fd = -1) noexcept;

private:
    int fd_ = -1;
};

// Moves `fd` to a number of 1024 or more and closes the low one, so that low numbers stay free for serial
// lines: for whoever opens many, before anything else knows the number. Returns the new number, close-on-exec
// set; or `fd` itself, still open, where it is high already or the open files limit leaves no high number.
[[nodiscard]] int keep_low_descriptors(int fd);

}  // namespace probekeeper::fieldbus
