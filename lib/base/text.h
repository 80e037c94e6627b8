// Numbers out of text, without locale, and small helpers for lines of text.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace probekeeper {

// The whole of `text` as a finite decimal number; empty where anything else stands there (also "nan", "inf").
[[nodiscard]] std::optional<double> parse_number(std::string_view text);
[[nodiscard]] std::optional<std::int64_t> parse_integer(std::string_view text);

// `text` without blanks, tabs and carriage returns at either end.
[[nodiscard]] std::string_view trimmed(std::string_view text);

// Of `candidates`, the one that a person most likely meant by `word`: fewest edits, at most a third of its
// letters (and at least one edit allowed). Empty where none is near.
template <typename Range>
[[nodiscard]] std::optional<std::string> nearest_word(std::string_view word, Range const& candidates);

[[nodiscard]] std::size_t edit_distance(std::string_view a, std::string_view b);

template <typename Range>
std::optional<std::string> nearest_word(std::string_view word, Range const& candidates) {
    std::optional<std::string> best;
    std::size_t best_distance = word.size() / 3 + 2;
    for (auto const& candidate : candidates) {
        auto const distance = edit_distance(word, candidate);
        if (distance < best_distance) {
            best_distance = distance;
            best = std::string{candidate};
        }
    }
    return best;
}

}  // namespace probekeeper
