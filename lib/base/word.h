// The words of enumerations back to their values.
#pragma once

#include <optional>
#include <string_view>

namespace probekeeper {

// The value of an enumeration, counted from 0 up to `last`, whose to_word() is `word`.
template <typename Enum>
[[nodiscard]] std::optional<Enum> from_word(std::string_view word, Enum last) {
    for (int i = 0; i <= static_cast<int>(last); ++i) {
        if (to_word(static_cast<Enum>(i)) == word) {
            return static_cast<Enum>(i);
        }
    }
    return std::nullopt;
}

}  // namespace probekeeper
