// Reading documents of our own again. Private to this room: all of these throw where something is not as
// `to_json` wrote it, and the functions that are for others give nothing then.
#pragma once

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/parse.hpp>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "base/date.h"
#include "base/time.h"
#include "base/word.h"

namespace probekeeper::document {

// Empty for null.
[[nodiscard]] std::string text_in(boost::json::object const& object, std::string_view name);
[[nodiscard]] std::optional<std::string> maybe_text_in(boost::json::object const& object,
                                                       std::string_view name);
[[nodiscard]] std::vector<std::string> texts_in(boost::json::object const& object, std::string_view name);
[[nodiscard]] Timestamp time_in(boost::json::object const& object, std::string_view name);
[[nodiscard]] std::optional<Timestamp> maybe_time_in(boost::json::object const& object,
                                                     std::string_view name);
[[nodiscard]] Date date_in(boost::json::object const& object, std::string_view name);
[[nodiscard]] double number_in(boost::json::object const& object, std::string_view name);
[[nodiscard]] std::optional<double> maybe_number_in(boost::json::object const& object, std::string_view name);

// One of a set of values that `word_of` finds by their words.
template <typename WordOf>
[[nodiscard]] auto word_in(boost::json::object const& object, std::string_view name, WordOf word_of) {
    return word_of(std::string_view{object.at(name).as_string()}).value();
}

template <typename Read>
[[nodiscard]] auto all_in(boost::json::object const& object, std::string_view name, Read read) {
    std::vector<decltype(read(object))> all;
    for (auto const& one : object.at(name).as_array()) {
        all.push_back(read(one.as_object()));
    }
    return all;
}

// `read` of the object that `text` is; empty where it is none, or not as it should be.
template <typename Read>
[[nodiscard]] auto read_document(std::string_view text, Read read)
    -> std::optional<decltype(read(boost::json::object{}))> {
    try {
        auto const parsed = boost::json::parse(text);
        return read(parsed.as_object());
    } catch (std::exception const&) {
        return std::nullopt;
    }
}

// The value of an enumeration, counted from 0 up to `last`, that has this word.
template <typename Enum>
[[nodiscard]] auto by_word(Enum last) {
    return [last](std::string_view word) -> std::optional<Enum> { return from_word(word, last); };
}

}  // namespace probekeeper::document
