// Reading the fields of a JSON object that a client sent, with every problem told by the field's name.
#pragma once

#include <boost/json/object.hpp>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"

namespace probekeeper::document {

// `message` says what is wrong and what would be right, and does not repeat the name.
struct FieldError {
    std::string field, message;
};

// Absent and null mean the same. A function that meets something wrong notes it and gives what it gives for
// an absent field, so that one pass finds every problem: ask errors() at the end, before using the values.
class Fields {
public:
    // `object` must outlive this. A member that is none of `known` is an error.
    Fields(boost::json::object const& object, std::initializer_list<std::string_view> known);

    // At most `longest` bytes; no control characters but tab and line breaks, which no form field needs and
    // some reader downstream chokes on.
    std::string text(std::string_view name, std::size_t longest = 4000);
    std::string required_text(std::string_view name, std::size_t longest = 4000);
    std::optional<double> number(std::string_view name, double lowest, double highest);
    std::optional<Timestamp> time(std::string_view name);
    // One of `words`; required.
    std::string_view required_word(std::string_view name, std::vector<std::string_view> const& words);

    void refuse(std::string_view name, std::string message);
    [[nodiscard]] std::vector<FieldError> const& errors() const { return errors_; }

private:
    [[nodiscard]] boost::json::value const* find(std::string_view name) const;  // null: absent or null

    boost::json::object const& object_;
    std::vector<FieldError> errors_;
};

// `text` cut to what a message can show, between backquotes.
[[nodiscard]] std::string shown(std::string_view text);

}  // namespace probekeeper::document
