// What a simulated device holds in its registers, and the frames by which it tells: the device's side of
// Modbus, written from the specification (MODBUS Application Protocol V1.1b3; MODBUS over Serial Line V1.02)
// and sharing nothing with the side that asks.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <span>
#include <vector>

#include "estate/estate.h"

namespace probekeeper::devices {

using Bytes = std::vector<std::uint8_t>;

// Every address that the device has, and no other.
struct RegisterImage {
    std::map<std::uint16_t, bool> coils, discretes;
    std::map<std::uint16_t, std::uint16_t> inputs, holdings;
};

// As the unit lays it out; the addresses stand in config/estate.toml.
[[nodiscard]] RegisterImage image_of(estate::Registers layout, estate::Shown const& shown);

// The answer to a request PDU (function code and data): data, or an exception. It reads (functions 1 to 4)
// and refuses everything else with exception 1; an address outside the image is 2, an impossible count 3.
[[nodiscard]] Bytes answer(std::span<std::uint8_t const> request, RegisterImage const& image);

// The exception `code` to a request of `function`.
[[nodiscard]] Bytes exception_of(std::uint8_t function, std::uint8_t code);

// The image of the unit now; none where no such unit stands on this line.
using Units = std::function<std::optional<RegisterImage>(int unit)>;

}  // namespace probekeeper::devices
