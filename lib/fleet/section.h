// Reads the keys of one table of the configuration, and remembers which keys there could have been. Every
// wrong value is put on the list of problems; reading then goes on with an empty one, so that one pass finds
// all.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "fleet/load.h"
#include "fleet/toml_tree.h"

namespace probekeeper::fleet {

// Where in the configuration something stands.
struct Where {
    std::size_t file = 0;  // in reading order
    int line = 0;
};

class Problems {
public:
    // `name` as problems show it. The number is for Where::file.
    std::size_t add_file(std::filesystem::path name);
    void add(Where where, std::string message);
    [[nodiscard]] std::string shown(Where where) const;  // "FILE:LINE"
    [[nodiscard]] std::filesystem::path folder(std::size_t file) const { return files_[file].parent_path(); }
    [[nodiscard]] std::vector<Problem> sorted() const;

private:
    struct Found {
        Where where;
        std::string message;
    };
    std::vector<std::filesystem::path> files_;
    std::vector<Found> found_;
};

template <typename Value>
struct Located {
    Value value;
    Where where;
};
using Text = Located<std::string>;

template <typename Value>
using Words = std::span<std::pair<std::string_view, Value> const>;

class Section {
public:
    // `name` as messages show it: "[[site]]". The table and the problems must outlive the section.
    Section(TomlTable const& table, std::string name, Where where, Problems& problems)
        : table_{&table}, name_{std::move(name)}, where_{where}, problems_{&problems} {}

    // A problem in another file that this section names.
    void wrong_in(std::filesystem::path const& file, int line, std::string message);

    // Each of these makes `key` known, and gives its value where it is there and right.
    [[nodiscard]] std::optional<std::string> text(std::string_view key);
    [[nodiscard]] std::optional<Text> located_text(std::string_view key);
    [[nodiscard]] std::vector<Text> texts(std::string_view key);
    [[nodiscard]] std::optional<bool> boolean(std::string_view key);
    [[nodiscard]] std::optional<std::int64_t> integer(std::string_view key, std::int64_t lowest,
                                                      std::int64_t highest);
    [[nodiscard]] std::optional<double> number(std::string_view key, double lowest, double highest);
    // A path, made relative to the folder of the file in which it is written.
    [[nodiscard]] std::optional<std::filesystem::path> path(std::string_view key);
    // An id: a-z 0-9 -, at most 48 characters. A wrong one is told and given all the same, so that it can be
    // found.
    [[nodiscard]] std::optional<Text> id(std::string_view key);
    template <typename Value>
    [[nodiscard]] std::optional<Value> word(std::string_view key, Words<Value> words);
    [[nodiscard]] std::optional<Section> table(std::string_view key, std::string name);
    // The tables of [[key]].
    [[nodiscard]] std::vector<Section> tables(std::string_view key);

    // Whether the key is there at all, right or wrong. Does not make it known.
    [[nodiscard]] bool has(std::string_view key) const { return find(key) != nullptr; }
    // Tells the keys that are needed and not there.
    void need(std::initializer_list<std::string_view> keys);
    // Tells a key that is there but does not belong here, and makes it known.
    void refuse(std::string_view key, std::string_view why);
    // Tells what is wrong with the value of a key.
    void wrong(std::string_view key, std::string message);
    // Tells the keys that nobody asked for. To be called last.
    void finish() const;

    [[nodiscard]] std::string const& name() const { return name_; }
    [[nodiscard]] Where where() const { return where_; }
    [[nodiscard]] Where where(std::string_view key) const;  // of a key that is there, else of the table

private:
    [[nodiscard]] Entry const* find(std::string_view key) const;
    [[nodiscard]] Entry const* ask(std::string_view key);
    void wrong_kind(Node const& node, std::string_view what, std::string_view right);
    [[nodiscard]] Where at(int line) const { return {where_.file, line}; }
    void wrong_word(std::string_view key, std::string_view word, std::vector<std::string_view> const& words);

    TomlTable const* table_;
    std::string name_;
    Where where_;
    Problems* problems_;
    std::vector<std::string> known_;
};

template <typename Value>
std::optional<Value> Section::word(std::string_view key, Words<Value> words) {
    auto const written = text(key);
    if (!written) {
        return std::nullopt;
    }
    std::vector<std::string_view> all;
    for (auto const& [word, value] : words) {
        if (word == *written) {
            return value;
        }
        all.push_back(word);
    }
    wrong_word(key, *written, all);
    return std::nullopt;
}

}  // namespace probekeeper::fleet
