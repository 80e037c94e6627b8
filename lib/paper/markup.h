// Words in pages.
#pragma once

#include <string>
#include <string_view>

namespace probekeeper::paper {

// "membrane_change" as a person writes it.
[[nodiscard]] std::string spoken(std::string_view word);

}  // namespace probekeeper::paper
