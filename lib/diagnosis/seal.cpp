#include "diagnosis/seal.h"

#include <boost/crc.hpp>
#include <cstdint>
#include <cstring>

namespace probekeeper::diagnosis {
namespace {

std::uint32_t sum_of(std::string_view bytes) {
    boost::crc_32_type crc;
    crc.process_bytes(bytes.data(), bytes.size());
    return crc.checksum();
}

}  // namespace

std::string sealed(std::string_view bytes) {
    auto const sum = sum_of(bytes);
    std::string text(sizeof sum + bytes.size(), '\0');
    std::memcpy(text.data(), &sum, sizeof sum);
    bytes.copy(text.data() + sizeof sum, bytes.size());
    return text;
}

std::optional<std::string_view> unsealed(std::string_view text) {
    std::uint32_t sum = 0;
    if (text.size() < sizeof sum) {
        return std::nullopt;
    }
    std::memcpy(&sum, text.data(), sizeof sum);
    auto const bytes = text.substr(sizeof sum);
    return sum == sum_of(bytes) ? std::optional{bytes} : std::nullopt;
}

}  // namespace probekeeper::diagnosis
