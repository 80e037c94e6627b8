#include "fleet/toml_tree.h"

// Of toml++ 3.3 the compiled library, as tomlplusplus::tomlplusplus links it: header-only and without NDEBUG
// it stops the program at an assertion where a table header begins with three brackets.
#include <toml++/toml.h>

#include <algorithm>

namespace probekeeper::fleet {
namespace {

int line_of(toml::source_region const& source) {
    return static_cast<int>(source.begin.line);
}

TomlTable converted(toml::table const& table);

Node converted(toml::node const& node) {
    Node result;
    result.line = line_of(node.source());
    if (auto const* table = node.as_table()) {
        result.value = converted(*table);
    } else if (auto const* array = node.as_array()) {
        TomlArray items;
        for (auto const& item : *array) {
            items.push_back(converted(item));
        }
        result.value = std::move(items);
    } else if (auto const* text = node.as_string()) {
        result.value = text->get();
    } else if (auto const* integer = node.as_integer()) {
        result.value = integer->get();
    } else if (auto const* number = node.as_floating_point()) {
        result.value = number->get();
    } else if (auto const* truth = node.as_boolean()) {
        result.value = truth->get();
    } else {
        result.value = TomlDate{};
    }
    return result;
}

TomlTable converted(toml::table const& table) {
    struct Placed {
        Entry entry;
        toml::source_position at;
    };
    std::vector<Placed> placed;
    for (auto const& [key, node] : table) {
        auto const at = key.source().begin;
        placed.push_back({{std::string{key.str()}, static_cast<int>(at.line), converted(node)}, at});
    }
    std::stable_sort(placed.begin(), placed.end(),
                     [](Placed const& a, Placed const& b) { return a.at < b.at; });
    TomlTable result;
    for (auto& [entry, at] : placed) {
        result.push_back(std::move(entry));
    }
    return result;
}

}  // namespace

std::string_view kind_of(Node const& node) {
    constexpr std::string_view kinds[] = {"a boolean",      "an integer", "a number", "a string",
                                          "a date or time", "an array",   "a table"};
    return kinds[node.value.index()];
}

std::variant<TomlTable, SyntaxError> parse_toml(std::string_view text) {
    try {
        return converted(toml::parse(text));
    } catch (toml::parse_error const& error) {
        return SyntaxError{line_of(error.source()), std::string{error.description()}};
    }
}

}  // namespace probekeeper::fleet
