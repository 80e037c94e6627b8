#include "intake/bad_rows.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

namespace probekeeper::intake {

std::string to_line(BadRow const& row) {
    return fmt::format("line {}: {}", row.line, row.message);
}

void BadRows::add(std::uint64_t line, std::string message) {
    ++count_;
    if (options_.bad_row) {
        options_.bad_row(BadRow{line, std::move(message)});
    }
    if (count_ > options_.max_bad_rows) {
        throw TooManyBadRows{
            fmt::format("stopped at line {}: more than {} bad rows", line, options_.max_bad_rows)};
    }
}

std::string shown(std::string_view cell) {
    std::size_t length = std::min<std::size_t>(cell.size(), 40);
    while (length > 0 && length < cell.size() &&
           (static_cast<unsigned char>(cell[length]) & 0xC0U) == 0x80U) {
        --length;  // never half a UTF-8 character
    }
    std::string text{"`"};
    for (char const c : cell.substr(0, length)) {
        text += static_cast<unsigned char>(c) < 0x20 || c == 0x7F ? '?' : c;
    }
    text += cell.size() > length ? "...`" : "`";
    return text;
}

}  // namespace probekeeper::intake
