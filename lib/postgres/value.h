// The values that go with a statement, in the text form of PostgreSQL. They never become part of the
// statement.
#pragma once

#include <concepts>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"

namespace probekeeper::postgres {

class Value {
public:
    Value(std::nullptr_t) {}
    Value(std::string text) : text_{std::move(text)} {}
    Value(std::string_view text) : text_{text} {}
    Value(char const* text) : text_{text} {}
    Value(std::same_as<bool> auto yes) : text_{yes ? "t" : "f"} {}
    template <std::integral T>
    requires(!std::same_as<T, bool> && !std::same_as<T, char>) Value(T number)
        : text_{std::to_string(number)} {}
    Value(double number);  // to the bit; infinities and NaN too
    Value(Timestamp at);
    Value(std::vector<std::string> const& texts);  // text[]
    Value(std::span<std::int64_t const> numbers);  // bigint[], int[], smallint[]
    Value(std::span<double const> numbers);        // float8[]; NaN becomes NULL
    template <typename T>
    Value(std::optional<T> const& value) {
        if (value) {
            *this = Value{*value};
        }
    }

    [[nodiscard]] char const* text() const { return text_ ? text_->c_str() : nullptr; }
    [[nodiscard]] std::size_t size() const { return text_ ? text_->size() : 0; }

private:
    std::optional<std::string> text_;  // none: NULL
};

// The elements of a one-dimensional array in PostgreSQL's text form, NULL as none. Empty where it is not one.
[[nodiscard]] std::optional<std::vector<std::optional<std::string>>> elements_of(std::string_view array);

}  // namespace probekeeper::postgres
