// File descriptors of lines.
#pragma once

#include <utility>

#include "sockets/descriptors.h"

namespace probekeeper::fieldbus {

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
    // A serial line's is made by us and shown to libmodbus only when it does.
    [[nodiscard]] bool fits_select() const noexcept {
        return fd_ >= 0 && fd_ < sockets::first_high_descriptor;
    }
    void reset(int fd = -1) noexcept;

private:
    int fd_ = -1;
};

}  // namespace probekeeper::fieldbus
