// Text that users wrote, in pages.
#pragma once

#include <string>
#include <string_view>

namespace probekeeper::paper {

// For HTML and XML, in text and in quoted attributes. Control characters are left out; malformed UTF-8 becomes
// U+FFFD, so that no byte of a device or a file can break a page.
[[nodiscard]] std::string escaped(std::string_view text);

// "membrane_change" as a person writes it.
[[nodiscard]] std::string spoken(std::string_view word);

}  // namespace probekeeper::paper
