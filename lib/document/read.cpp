#include "document/read.h"

namespace probekeeper::document {

namespace json = boost::json;

std::string text_in(json::object const& object, std::string_view name) {
    auto const& found = object.at(name);
    return found.is_null() ? std::string{} : std::string{found.as_string()};
}

std::optional<std::string> maybe_text_in(json::object const& object, std::string_view name) {
    auto const& found = object.at(name);
    return found.is_null() ? std::nullopt : std::optional{std::string{found.as_string()}};
}

std::vector<std::string> texts_in(json::object const& object, std::string_view name) {
    std::vector<std::string> all;
    for (auto const& one : object.at(name).as_array()) {
        all.emplace_back(one.as_string());
    }
    return all;
}

Timestamp time_in(json::object const& object, std::string_view name) {
    return parse_rfc3339(text_in(object, name)).value();
}

std::optional<Timestamp> maybe_time_in(json::object const& object, std::string_view name) {
    return object.at(name).is_null() ? std::nullopt : std::optional{time_in(object, name)};
}

Date date_in(json::object const& object, std::string_view name) {
    return parse_date(text_in(object, name)).value();
}

double number_in(json::object const& object, std::string_view name) {
    return object.at(name).to_number<double>();
}

std::optional<double> maybe_number_in(json::object const& object, std::string_view name) {
    return object.at(name).is_null() ? std::nullopt : std::optional{number_in(object, name)};
}

}  // namespace probekeeper::document
