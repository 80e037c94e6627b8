#include "fleet/section.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"

namespace probekeeper::fleet {

std::size_t Problems::add_file(std::filesystem::path name) {
    files_.push_back(std::move(name));
    return files_.size() - 1;
}

void Problems::add(Where where, std::string message) {
    found_.push_back({where, std::move(message)});
}

std::string Problems::shown(Where where) const {
    return fmt::format("{}:{}", files_[where.file].string(), where.line);
}

std::vector<Problem> Problems::sorted() const {
    auto found = found_;
    std::stable_sort(found.begin(), found.end(), [](Found const& a, Found const& b) {
        return a.where.file != b.where.file ? a.where.file < b.where.file : a.where.line < b.where.line;
    });
    std::vector<Problem> problems;
    for (auto& [where, message] : found) {
        problems.push_back({files_[where.file], where.line, std::move(message)});
    }
    return problems;
}

Entry const* Section::find(std::string_view key) const {
    auto const at =
        std::find_if(table_->begin(), table_->end(), [&](Entry const& entry) { return entry.key == key; });
    return at == table_->end() ? nullptr : &*at;
}

Entry const* Section::ask(std::string_view key) {
    known_.emplace_back(key);
    return find(key);
}

Where Section::where(std::string_view key) const {
    auto const* entry = find(key);
    return entry == nullptr ? where_ : at(entry->line);
}

void Section::wrong(std::string_view key, std::string message) {
    problems_->add(where(key), std::move(message));
}

void Section::wrong_kind(Node const& node, std::string_view what, std::string_view right) {
    problems_->add(at(node.line), fmt::format("`{}` is {}, should be {}", what, kind_of(node), right));
}

void Section::wrong_word(std::string_view key, std::string_view word,
                         std::vector<std::string_view> const& words) {
    auto const nearest = nearest_word(word, words);
    wrong(key, fmt::format("`{}` is \"{}\", should be {}\"{}\"{}", key, word,
                           words.size() > 1 ? "one of " : "", fmt::join(words, "\", \""),
                           nearest ? fmt::format("; did you mean \"{}\"?", *nearest) : ""));
}

std::optional<Text> Section::located_text(std::string_view key) {
    auto const* entry = ask(key);
    if (entry == nullptr) {
        return std::nullopt;
    }
    if (auto const* text = std::get_if<std::string>(&entry->node.value)) {
        return Text{*text, at(entry->line)};
    }
    wrong_kind(entry->node, key, "a string");
    return std::nullopt;
}

std::optional<std::string> Section::text(std::string_view key) {
    auto found = located_text(key);
    return found ? std::optional{std::move(found->value)} : std::nullopt;
}

std::vector<Text> Section::texts(std::string_view key) {
    auto const* entry = ask(key);
    std::vector<Text> result;
    if (entry == nullptr) {
        return result;
    }
    auto const* array = std::get_if<TomlArray>(&entry->node.value);
    if (array == nullptr) {
        wrong_kind(entry->node, key, "an array of strings");
        return result;
    }
    for (auto const& item : *array) {
        if (auto const* text = std::get_if<std::string>(&item.value)) {
            result.push_back({*text, at(item.line)});
        } else {
            wrong_kind(item, fmt::format("{}[{}]", key, &item - array->data()), "a string");
        }
    }
    return result;
}

std::optional<bool> Section::boolean(std::string_view key) {
    auto const* entry = ask(key);
    if (entry == nullptr) {
        return std::nullopt;
    }
    if (auto const* truth = std::get_if<bool>(&entry->node.value)) {
        return *truth;
    }
    wrong_kind(entry->node, key, "true or false");
    return std::nullopt;
}

std::optional<std::int64_t> Section::integer(std::string_view key, std::int64_t lowest,
                                             std::int64_t highest) {
    auto const* entry = ask(key);
    if (entry == nullptr) {
        return std::nullopt;
    }
    auto const* integer = std::get_if<std::int64_t>(&entry->node.value);
    if (integer == nullptr) {
        wrong_kind(entry->node, key, "an integer");
        return std::nullopt;
    }
    if (*integer < lowest || *integer > highest) {
        wrong(key, fmt::format("`{}` is {}, should lie in {}..{}", key, *integer, lowest, highest));
        return std::nullopt;
    }
    return *integer;
}

std::optional<double> Section::number(std::string_view key, double lowest, double highest) {
    auto const* entry = ask(key);
    if (entry == nullptr) {
        return std::nullopt;
    }
    double number = 0.0;
    if (auto const* integer = std::get_if<std::int64_t>(&entry->node.value)) {
        number = static_cast<double>(*integer);
    } else if (auto const* real = std::get_if<double>(&entry->node.value)) {
        number = *real;
    } else {
        wrong_kind(entry->node, key, "a number");
        return std::nullopt;
    }
    if (!(number >= lowest && number <= highest)) {  // written so that nan is wrong too
        wrong(key, fmt::format("`{}` is {}, should lie in {}..{}", key, number, lowest, highest));
        return std::nullopt;
    }
    return number;
}

std::optional<std::filesystem::path> Section::path(std::string_view key) {
    auto const written = text(key);
    if (!written) {
        return std::nullopt;
    }
    if (written->empty()) {
        wrong(key, fmt::format("`{}` is empty, should name a file", key));
        return std::nullopt;
    }
    return (problems_->folder(where_.file) / *written).lexically_normal();
}

std::optional<Text> Section::id(std::string_view key) {
    constexpr std::size_t longest = 48;
    auto found = located_text(key);
    if (!found) {
        return std::nullopt;
    }
    auto const allowed = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'; };
    auto const& id = found->value;
    if (id.empty() || id.size() > longest || !std::all_of(id.begin(), id.end(), allowed)) {
        wrong(key,
              fmt::format("`{}` is \"{}\", should be 1 to {} characters of a-z 0-9 -", key, id, longest));
    }
    return found;
}

std::optional<Section> Section::table(std::string_view key, std::string name) {
    auto const* entry = ask(key);
    if (entry == nullptr) {
        return std::nullopt;
    }
    if (auto const* table = std::get_if<TomlTable>(&entry->node.value)) {
        return Section{*table, std::move(name), at(entry->line), *problems_};
    }
    wrong_kind(entry->node, key, "a table");
    return std::nullopt;
}

std::vector<Section> Section::tables(std::string_view key) {
    auto const* entry = ask(key);
    std::vector<Section> result;
    if (entry == nullptr) {
        return result;
    }
    auto const* array = std::get_if<TomlArray>(&entry->node.value);
    if (array == nullptr) {
        wrong_kind(entry->node, key, fmt::format("an array of tables, each beginning with [[{}]]", key));
        return result;
    }
    for (auto const& item : *array) {
        if (auto const* table = std::get_if<TomlTable>(&item.value)) {
            result.emplace_back(*table, fmt::format("[[{}]]", key), at(item.line), *problems_);
        } else {
            wrong_kind(item, fmt::format("{}[{}]", key, &item - array->data()), "a table");
        }
    }
    return result;
}

void Section::wrong_in(std::filesystem::path const& file, int line, std::string message) {
    problems_->add({problems_->add_file(file), line}, std::move(message));
}

void Section::need(std::initializer_list<std::string_view> keys) {
    std::vector<std::string> missing;
    for (auto const key : keys) {
        if (!has(key)) {
            missing.push_back(fmt::format("`{}`", key));
        }
    }
    if (!missing.empty()) {
        problems_->add(where_, fmt::format("{} needs {}", name_, fmt::join(missing, " and ")));
    }
}

void Section::refuse(std::string_view key, std::string_view why) {
    if (ask(key) != nullptr) {
        wrong(key, fmt::format("`{}` does not belong here: {}", key, why));
    }
}

void Section::finish() const {
    for (auto const& entry : *table_) {
        if (std::find(known_.begin(), known_.end(), entry.key) != known_.end()) {
            continue;
        }
        auto const nearest = nearest_word(std::string_view{entry.key}.substr(0, 64), known_);
        problems_->add(at(entry.line),
                       fmt::format("unknown key `{}` in {}; {}", entry.key, name_,
                                   nearest ? fmt::format("did you mean `{}`?", *nearest)
                                           : fmt::format("known are {}", fmt::join(known_, ", "))));
    }
}

}  // namespace probekeeper::fleet
