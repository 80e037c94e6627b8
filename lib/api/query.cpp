#include "api/query.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "api/problem.h"
#include "base/text.h"

namespace probekeeper::api {
namespace {

using document::shown;

std::vector<std::string_view> split(std::string_view names) {
    std::vector<std::string_view> out;
    while (!names.empty()) {
        auto const end = std::min(names.find(' '), names.size());
        out.push_back(names.substr(0, end));
        names.remove_prefix(std::min(end + 1, names.size()));
    }
    return out;
}

std::string unknown_parameter(std::string_view name, std::vector<std::string_view> const& known) {
    auto const nearest = nearest_word(name.substr(0, 64), known);
    std::string const right = nearest         ? fmt::format("; did you mean {}?", *nearest)
                              : known.empty() ? std::string{"; this path takes none"}
                                              : fmt::format("; this path takes {}", fmt::join(known, ", "));
    return fmt::format("{} is no parameter here{}", shown(name), right);
}

}  // namespace

bool shaped_like_id(std::string_view text, std::size_t longest) {
    return !text.empty() && text.size() <= longest && std::all_of(text.begin(), text.end(), [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
    });
}

Query::Query(std::vector<std::pair<std::string, std::string>> parameters, std::string_view known)
    : parameters_{std::move(parameters)} {
    auto const names = split(known);
    std::vector<std::string_view> met;
    for (auto const& [name, value] : parameters_) {
        if (std::find(names.begin(), names.end(), name) == names.end()) {
            throw bad_parameter(name, unknown_parameter(name, names));
        }
        if (std::find(met.begin(), met.end(), name) != met.end()) {
            throw bad_parameter(name, fmt::format("{} comes twice; give it once", name));
        }
        met.push_back(name);
    }
}

std::optional<std::string> Query::text(std::string_view name) const {
    for (auto const& [key, value] : parameters_) {
        if (key == name && !value.empty()) {
            return value;
        }
    }
    return std::nullopt;
}

std::optional<std::string> Query::id(std::string_view name) const {
    auto value = text(name);
    if (value && !shaped_like_id(*value)) {
        throw bad_parameter(
            name, fmt::format("{} is {}; an id has only a-z, 0-9 and -, at most 48 characters", name,
                              shown(*value)));
    }
    return value;
}

std::optional<Timestamp> Query::time(std::string_view name) const {
    auto const value = text(name);
    if (!value) {
        return std::nullopt;
    }
    auto const time = parse_rfc3339(*value);
    if (!time) {
        throw bad_parameter(
            name, fmt::format("{} is {}; it must be an RFC 3339 time such as 2026-03-01T06:00:00Z", name,
                              shown(*value)));
    }
    return time;
}

std::optional<std::int64_t> Query::integer(std::string_view name, std::int64_t lowest,
                                           std::int64_t highest) const {
    auto const value = text(name);
    if (!value) {
        return std::nullopt;
    }
    auto const number = parse_integer(*value);
    if (!number || *number < lowest || *number > highest) {
        throw bad_parameter(name, fmt::format("{} is {}; it must be a whole number in {}..{}", name,
                                              shown(*value), lowest, highest));
    }
    return number;
}

std::optional<std::size_t> Query::word(std::string_view name,
                                       std::vector<std::string_view> const& words) const {
    auto const value = text(name);
    if (!value) {
        return std::nullopt;
    }
    auto const found = std::find(words.begin(), words.end(), *value);
    if (found == words.end()) {
        auto const nearest = nearest_word(std::string_view{*value}.substr(0, 64), words);
        throw bad_parameter(
            name, fmt::format("{} is {}; it must be one of {}{}", name, shown(*value), fmt::join(words, ", "),
                              nearest ? fmt::format("; did you mean {}?", *nearest) : ""));
    }
    return static_cast<std::size_t>(found - words.begin());
}

PageRequest Query::page(std::size_t usual, std::size_t most) const {
    auto const limit = integer("limit", 1, static_cast<std::int64_t>(most));
    return {limit ? static_cast<std::size_t>(*limit) : usual, text("after")};
}

}  // namespace probekeeper::api
