// Wakes a thread that waits on descriptors.
#pragma once

namespace probekeeper::hub {

// A descriptor that becomes readable when it is rung. From any thread; nothing blocks.
class Bell {
public:
    Bell();  // throws std::system_error where there are no more descriptors
    ~Bell();
    Bell(Bell&&) = delete;
    void ring();
    void silence();  // until it is rung again
    [[nodiscard]] int descriptor() const { return descriptor_; }

private:
    int descriptor_;
};

}  // namespace probekeeper::hub
