#include "base/markup.h"

#include <algorithm>
#include <cstdint>

namespace probekeeper {
namespace {

// How many bytes the well-formed UTF-8 character at the front of `text` has; 0 where there is none. Unicode
// 15, table 3-7.
std::size_t character_at(std::string_view text) {
    auto const byte = [&](std::size_t i) { return static_cast<std::uint8_t>(text[i]); };
    auto const lead = byte(0);
    std::size_t const length = lead < 0x80   ? 1
                               : lead < 0xC2 ? 0
                               : lead < 0xE0 ? 2
                               : lead < 0xF0 ? 3
                               : lead < 0xF5 ? 4
                                             : 0;
    if (length == 0 || length > text.size()) {
        return 0;
    }
    for (std::size_t i = 1; i < length; ++i) {
        std::uint8_t const lowest = i == 1 && lead == 0xE0 ? 0xA0 : i == 1 && lead == 0xF0 ? 0x90 : 0x80;
        std::uint8_t const highest = i == 1 && lead == 0xED ? 0x9F : i == 1 && lead == 0xF4 ? 0x8F : 0xBF;
        if (byte(i) < lowest || byte(i) > highest) {
            return 0;
        }
    }
    return length;
}

std::string_view sign_for(char c) {
    return c == '&'    ? "&amp;"
           : c == '<'  ? "&lt;"
           : c == '>'  ? "&gt;"
           : c == '"'  ? "&quot;"
           : c == '\'' ? "&#39;"
                       : "";
}

}  // namespace

std::string escaped_markup(std::string_view text) {
    std::string out;
    out.reserve(text.size());
    while (!text.empty()) {
        auto const length = character_at(text);
        bool const control = length == 1 && (static_cast<std::uint8_t>(text[0]) < 0x20 || text[0] == 0x7F);
        if (length == 0) {
            out += "\xEF\xBF\xBD";
        } else if (auto const sign = sign_for(text[0]); !sign.empty()) {
            out += sign;
        } else if (!control || text[0] == '\n' || text[0] == '\t') {
            out += text.substr(0, length);
        }
        text.remove_prefix(std::max<std::size_t>(length, 1));
    }
    return out;
}

}  // namespace probekeeper
