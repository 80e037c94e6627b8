#include "document/fields.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json/value.hpp>
#include <cmath>

#include "base/text.h"
#include "document/write.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

std::string_view kind_of(json::value const& value) {
    switch (value.kind()) {
        case json::kind::bool_:
            return "true or false";
        case json::kind::string:
            return "a text";
        case json::kind::array:
            return "a list";
        case json::kind::object:
            return "an object";
        case json::kind::null:
            return "null";
        case json::kind::int64:
        case json::kind::uint64:
        case json::kind::double_:
            return "a number";
    }
    return "";
}

bool is_control(char c) {
    auto const byte = static_cast<unsigned char>(c);
    return (byte < 0x20 && c != '\n' && c != '\r' && c != '\t') || byte == 0x7F;
}

// Near misses are looked for among short words only: nobody types 64 letters of a name.
template <typename Range>
std::string suggestion(std::string_view word, Range const& candidates) {
    auto const nearest = nearest_word(word.substr(0, 64), candidates);
    return nearest ? fmt::format("; did you mean {}?", *nearest) : std::string{};
}

}  // namespace

std::string shown(std::string_view text) {
    constexpr std::size_t longest = 60;
    return text.size() <= longest ? fmt::format("`{}`", as_utf8(text))
                                  : fmt::format("`{}...`", as_utf8(text.substr(0, longest)));
}

Fields::Fields(json::object const& object, std::initializer_list<std::string_view> known) : object_{object} {
    for (auto const& member : object) {
        std::string_view const name = member.key();
        if (std::find(known.begin(), known.end(), name) == known.end()) {
            auto hint = suggestion(name, known);
            refuse(name, fmt::format("is no field here{}",
                                     known.size() == 0 ? "; there are none"
                                     : hint.empty()    ? fmt::format("; known are {}", fmt::join(known, ", "))
                                                       : hint));
        }
    }
}

json::value const* Fields::find(std::string_view name) const {
    auto const* value = object_.if_contains(name);
    return value != nullptr && !value->is_null() ? value : nullptr;
}

std::string Fields::text(std::string_view name, std::size_t longest) {
    auto const* value = find(name);
    if (value == nullptr) {
        return {};
    }
    auto const* text = value->if_string();
    if (text == nullptr) {
        refuse(name, fmt::format("is {}, and must be a text", kind_of(*value)));
    } else if (text->size() > longest) {
        refuse(name, fmt::format("is {} bytes long, and may have {}", text->size(), longest));
    } else if (std::any_of(text->begin(), text->end(), is_control)) {
        refuse(name, "has control characters; only tabs and line breaks may stand in a text");
    } else {
        return std::string{std::string_view{*text}};
    }
    return {};
}

std::string Fields::required_text(std::string_view name, std::size_t longest) {
    auto const before = errors_.size();
    auto result = text(name, longest);
    if (errors_.size() == before && trimmed(result).empty()) {
        refuse(name, "is missing; it must be a text that is not empty");
    }
    return result;
}

std::optional<double> Fields::number(std::string_view name, double lowest, double highest) {
    auto const* value = find(name);
    if (value == nullptr) {
        return std::nullopt;
    }
    if (!value->is_number()) {
        refuse(name, fmt::format("is {}, and must be a number", kind_of(*value)));
        return std::nullopt;
    }
    auto const result = value->to_number<double>();
    if (!std::isfinite(result) || result < lowest || result > highest) {
        refuse(name, fmt::format("is {}, and must lie in {}..{}", result, lowest, highest));
        return std::nullopt;
    }
    return result;
}

std::optional<Timestamp> Fields::time(std::string_view name) {
    auto const* value = find(name);
    if (value == nullptr) {
        return std::nullopt;
    }
    auto const* text = value->if_string();
    auto const result = text != nullptr ? parse_rfc3339(*text) : std::nullopt;
    if (!result) {
        refuse(name, fmt::format("is {}, and must be an RFC 3339 time such as 2026-03-01T06:00:00Z",
                                 text != nullptr ? shown(*text) : std::string{kind_of(*value)}));
    }
    return result;
}

std::string_view Fields::required_word(std::string_view name, std::vector<std::string_view> const& words) {
    auto const* value = find(name);
    auto const* text = value != nullptr ? value->if_string() : nullptr;
    if (text == nullptr) {
        refuse(name, fmt::format("is {}; it must be one of {}",
                                 value != nullptr ? kind_of(*value) : "missing", fmt::join(words, ", ")));
        return {};
    }
    auto const found = std::find(words.begin(), words.end(), std::string_view{*text});
    if (found == words.end()) {
        refuse(name, fmt::format("is {}; it must be one of {}{}", shown(*text), fmt::join(words, ", "),
                                 suggestion(*text, words)));
        return {};
    }
    return *found;
}

void Fields::refuse(std::string_view name, std::string message) {
    // A name may be a megabyte long, and a body may hold thousands of them: what goes back stays small.
    constexpr std::size_t most_errors = 20, longest_name = 60;
    if (errors_.size() < most_errors) {
        errors_.push_back({as_utf8(name.substr(0, longest_name)), std::move(message)});
    }
}

}  // namespace probekeeper::document
