// Reads the answer of GET /v1/tickets on stdin and prints it as a table, a line for each reason that stands.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <boost/json.hpp>
#include <iostream>
#include <iterator>
#include <string>
#include <string_view>
#include <vector>

namespace {

namespace json = boost::json;
using Row = std::array<std::string, 8>;

std::string text_of(json::object const& object, std::string_view key) {
    auto const* value = object.if_contains(key);
    return value != nullptr && value->is_string() ? std::string{value->as_string()} : std::string{"-"};
}

// "2026-03-01T06:00:00.000Z" as a day: a table of weeks needs no seconds.
std::string day_of(json::object const& object, std::string_view key) {
    return text_of(object, key).substr(0, 10);
}

void add_rows(std::vector<Row>& rows, json::object const& ticket) {
    for (auto const& item : ticket.at("reasons").as_array()) {
        auto const& reason = item.as_object();
        if (day_of(reason, "cleared_at") != "-") {
            continue;
        }
        rows.push_back({text_of(ticket, "id"), text_of(ticket, "site"), text_of(ticket, "probe"),
                        text_of(reason, "code"), day_of(reason, "since"), day_of(ticket, "due"),
                        text_of(ticket, "urgency"), text_of(reason, "text")});
    }
}

void print(std::vector<Row> const& rows) {
    std::array<std::size_t, std::tuple_size_v<Row>> widths{};
    for (auto const& row : rows) {
        for (std::size_t i = 0; i + 1 < row.size(); ++i) {
            widths[i] = std::max(widths[i], row[i].size());
        }
    }
    for (auto const& row : rows) {
        std::string line;
        for (std::size_t i = 0; i < row.size(); ++i) {
            line += fmt::format("{:<{}}  ", row[i], widths[i]);
        }
        fmt::print("{}\n", line.substr(0, line.find_last_not_of(' ') + 1));
    }
}

}  // namespace

int main() {
    try {
        std::string const answer{std::istreambuf_iterator<char>{std::cin}, {}};
        auto const document = json::parse(answer);
        std::vector<Row> rows{
            {"ticket", "site", "probe", "reason", "since", "due", "urgency", "what it says"}};
        for (auto const& ticket : document.at("items").as_array()) {
            add_rows(rows, ticket.as_object());
        }
        print(rows);
    } catch (std::exception const& e) {
        fmt::print(stderr, "show_tickets: this is no list of tickets: {}\n", e.what());
        return 1;
    }
    return 0;
}
