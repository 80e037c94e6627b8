#include "postgres/value.h"

#include <spdlog/fmt/fmt.h>

#include <cmath>

namespace probekeeper::postgres {

namespace {

std::string number_text(double number) {
    if (std::isnan(number)) {
        return "NaN";
    }
    if (std::isinf(number)) {
        return number > 0 ? "Infinity" : "-Infinity";
    }
    return fmt::format("{}", number);  // the shortest that reads back as the same
}

void append_quoted(std::string& out, std::string_view text) {
    out += '"';
    for (char const c : text) {
        if (c == '"' || c == '\\') {
            out += '\\';
        }
        out += c;
    }
    out += '"';
}

template <typename Items, typename Append>
std::string array_text(Items const& items, Append const& append) {
    std::string out = "{";
    for (auto const& item : items) {
        if (out.size() > 1) {
            out += ',';
        }
        append(out, item);
    }
    out += '}';
    return out;
}

}  // namespace

Value::Value(double number) : text_{number_text(number)} {}

Value::Value(Timestamp at) : text_{to_rfc3339(at)} {}

Value::Value(std::vector<std::string> const& texts)
    : text_{array_text(texts, [](std::string& out, std::string const& text) { append_quoted(out, text); })} {}

Value::Value(std::span<std::int64_t const> numbers)
    : text_{array_text(numbers, [](std::string& out, std::int64_t n) { out += std::to_string(n); })} {}

Value::Value(std::span<double const> numbers)
    : text_{array_text(numbers,
                       [](std::string& out, double n) { out += std::isnan(n) ? "NULL" : number_text(n); })} {}

std::optional<std::vector<std::optional<std::string>>> elements_of(std::string_view array) {
    if (array.size() < 2 || array.front() != '{' || array.back() != '}') {
        return std::nullopt;
    }
    std::vector<std::optional<std::string>> elements;
    auto const end = array.size() - 1;
    for (std::size_t at = 1; at < end; ++at) {  // past the comma
        std::string element;
        bool quoted = false;
        if (array[at] == '"') {
            quoted = true;
            for (++at; at < end && array[at] != '"'; ++at) {
                if (array[at] == '\\') {
                    ++at;
                }
                element += array[at];
            }
            ++at;
        } else {
            for (; at < end && array[at] != ','; ++at) {
                element += array[at];
            }
        }
        if (at > end || (at < end && array[at] != ',')) {
            return std::nullopt;
        }
        if (!quoted && element == "NULL") {
            elements.emplace_back();
        } else {
            elements.emplace_back(std::move(element));
        }
    }
    return elements;
}

}  // namespace probekeeper::postgres
