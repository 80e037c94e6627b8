// Bytes with a checksum before them, so that damage on the way through a file is seen.    (pure)
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace probekeeper::diagnosis {

// CRC-32 of `bytes` (4 bytes, of this machine's order), then `bytes`.
[[nodiscard]] std::string sealed(std::string_view bytes);
// What was sealed; empty where it is not that any more. A view into `text`.
[[nodiscard]] std::optional<std::string_view> unsealed(std::string_view text);

}  // namespace probekeeper::diagnosis
