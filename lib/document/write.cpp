#include "document/write.h"

#include <array>
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/string.hpp>
#include <charconv>
#include <cmath>
#include <utility>

namespace probekeeper::document {
namespace {

namespace json = boost::json;

constexpr std::string_view replacement = "\xEF\xBF\xBD";

bool continues(std::string_view text, std::size_t at) {
    return at < text.size() && (static_cast<unsigned char>(text[at]) & 0xC0U) == 0x80U;
}

// Length of the well-formed UTF-8 sequence at the start of `text` (Unicode 15, table 3-7); 0 where there is
// none.
std::size_t sequence_length(std::string_view text) {
    auto const lead = static_cast<unsigned char>(text[0]);
    auto const second = text.size() > 1 ? static_cast<unsigned char>(text[1]) : 0U;
    if (lead < 0x80) {
        return 1;
    }
    if (lead >= 0xC2 && lead <= 0xDF) {
        return continues(text, 1) ? 2 : 0;
    }
    if (lead >= 0xE0 && lead <= 0xEF) {
        bool const fits =
            !(lead == 0xE0 && second < 0xA0) && !(lead == 0xED && second > 0x9F);  // no surrogates
        return fits && continues(text, 1) && continues(text, 2) ? 3 : 0;
    }
    if (lead >= 0xF0 && lead <= 0xF4) {
        bool const fits = !(lead == 0xF0 && second < 0x90) && !(lead == 0xF4 && second > 0x8F);
        return fits && continues(text, 1) && continues(text, 2) && continues(text, 3) ? 4 : 0;
    }
    return 0;
}

// Only what RFC 8259 section 7 says must be escaped.
void escape(std::string& out, char c) {
    constexpr std::string_view hex = "0123456789abcdef";
    switch (c) {
        case '"':
            out += "\\\"";
            return;
        case '\\':
            out += "\\\\";
            return;
        case '\n':
            out += "\\n";
            return;
        case '\r':
            out += "\\r";
            return;
        case '\t':
            out += "\\t";
            return;
        default:
            out += "\\u00";
            out += hex[static_cast<unsigned char>(c) >> 4U];
            out += hex[static_cast<unsigned char>(c) & 15U];
    }
}

void write_string(std::string& out, std::string_view text) {
    out += '"';
    std::size_t plain = 0;  // start of what is copied as it stands
    for (std::size_t i = 0; i < text.size();) {
        auto const c = static_cast<unsigned char>(text[i]);
        bool const special = c < 0x20 || c == '"' || c == '\\';
        auto const length = c < 0x80 ? 1 : sequence_length(text.substr(i));
        if (special || length == 0) {
            out += text.substr(plain, i - plain);
            if (special) {
                escape(out, text[i]);
            } else {
                out += replacement;
            }
            plain = i + 1;
        }
        i += length == 0 ? 1 : length;
    }
    out += text.substr(plain);
    out += '"';
}

template <typename Integer>
void write_integer(std::string& out, Integer value) {
    std::array<char, 24> text{};
    out.append(text.data(), std::to_chars(text.data(), text.data() + text.size(), value).ptr);
}

void write_double(std::string& out, double value) {
    if (!std::isfinite(value)) {
        out += "null";
        return;
    }
    std::array<char, 32> text{};
    auto const end = std::to_chars(text.data(), text.data() + text.size(), value).ptr;
    std::string_view const digits{text.data(), static_cast<std::size_t>(end - text.data())};
    out += digits;
    if (digits.find_first_of(".e") == std::string_view::npos) {
        out += ".0";
    }
}

void write_value(std::string& out, json::value const& value);

void write_array(std::string& out, json::array const& items) {
    out += '[';
    for (bool first = true; auto const& item : items) {
        if (!std::exchange(first, false)) {
            out += ',';
        }
        write_value(out, item);
    }
    out += ']';
}

void write_object(std::string& out, json::object const& members) {
    out += '{';
    for (bool first = true; auto const& member : members) {
        if (!std::exchange(first, false)) {
            out += ',';
        }
        write_string(out, member.key());
        out += ':';
        write_value(out, member.value());
    }
    out += '}';
}

void write_value(std::string& out, json::value const& value) {
    switch (value.kind()) {
        case json::kind::null:
            out += "null";
            return;
        case json::kind::bool_:
            out += value.get_bool() ? "true" : "false";
            return;
        case json::kind::int64:
            write_integer(out, value.get_int64());
            return;
        case json::kind::uint64:
            write_integer(out, value.get_uint64());
            return;
        case json::kind::double_:
            write_double(out, value.get_double());
            return;
        case json::kind::string:
            write_string(out, value.get_string());
            return;
        case json::kind::array:
            write_array(out, value.get_array());
            return;
        case json::kind::object:
            write_object(out, value.get_object());
            return;
    }
}

}  // namespace

std::string write(json::value const& value) {
    std::string out;
    write_value(out, value);
    return out;
}

std::string as_utf8(std::string_view text) {
    std::string out;
    for (std::size_t i = 0; i < text.size();) {
        auto const length = sequence_length(text.substr(i));
        out += length == 0 ? replacement : text.substr(i, length);
        i += length == 0 ? 1 : length;
    }
    return out;
}

}  // namespace probekeeper::document
