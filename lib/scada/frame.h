// Modbus TCP frames, as a server reads and answers them. Pure: bytes in, bytes out.
// Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b and Application Protocol V1.1b3, from memory.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace probekeeper::scada {

inline constexpr std::size_t longest_frame = 260;  // header of 7 and a protocol data unit of 253 bytes
inline constexpr std::uint16_t most_registers = 125;
inline constexpr std::uint16_t most_bits = 2000;

enum class Exception : std::uint8_t {
    illegal_function = 1,
    illegal_data_address = 2,
    illegal_data_value = 3,
    server_device_failure = 4,
    gateway_path_unavailable = 10  // no such unit here
};

// Registers and bits of the units that are served.
class Registers {
public:
    virtual ~Registers() = default;
    // Everything that the unit has, from address 0; empty: there is no such unit.
    [[nodiscard]] virtual std::span<std::uint16_t const> registers(std::uint8_t unit) const = 0;
    [[nodiscard]] virtual std::span<std::uint8_t const> bits(
        std::uint8_t unit) const = 0;  // a byte a bit, 0 or 1
};

struct Cut {
    enum class Is : std::uint8_t { incomplete, whole, broken };
    Is is = Is::incomplete;
    std::size_t bytes = 0;  // of a whole frame
};

// The frame that begins with `bytes`. `broken`: another protocol, or a length that no frame has. Nobody can
// tell where the next frame would begin, so the connection has to end. It is found from the first bytes that
// show it.
[[nodiscard]] Cut cut(std::span<std::uint8_t const> bytes);

// The answer to one whole frame, of at most longest_frame bytes. Functions 1 to 4 read; everything else is
// refused by the exception that is right for it, so nothing can be written by this.
[[nodiscard]] std::vector<std::uint8_t> answer(std::span<std::uint8_t const> frame,
                                               Registers const& registers);

// Function 6, for a server that allows some of it. Empty: the frame asks for something else, or is not whole,
// and answer() says what is right.
struct WriteOne {
    std::uint8_t unit = 0;
    std::uint16_t address = 0, value = 0;
};
[[nodiscard]] std::optional<WriteOne> write_one_in(std::span<std::uint8_t const> frame);
// The answer to such a frame: the echo of a write that was done, or why it was not.
[[nodiscard]] std::vector<std::uint8_t> answer_write(std::span<std::uint8_t const> frame,
                                                     std::optional<Exception> refused);

}  // namespace probekeeper::scada
