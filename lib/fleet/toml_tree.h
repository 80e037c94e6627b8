// A parsed TOML file as plain values that know their line. The one place that knows the TOML library is
// toml_tree.cpp; it is slow to compile.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace probekeeper::fleet {

struct Entry;
struct Node;
using TomlTable = std::vector<Entry>;  // in the order of the file
using TomlArray = std::vector<Node>;
struct TomlDate {};  // no key of ours takes one, so it is only there to be refused

struct Node {
    int line = 0;  // 1-based
    std::variant<bool, std::int64_t, double, std::string, TomlDate, TomlArray, TomlTable> value;
};

struct Entry {
    std::string key;
    int line = 0;  // of the key
    Node node;
};

// "a string", "an integer", ...
[[nodiscard]] std::string_view kind_of(Node const& node);

struct SyntaxError {
    int line = 0;
    std::string message;
};

// The top-level table of `text`, or the first error of syntax in it: after that the rest cannot be
// understood.
[[nodiscard]] std::variant<TomlTable, SyntaxError> parse_toml(std::string_view text);

}  // namespace probekeeper::fleet
