#include "hub/sheet.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json/array.hpp>
#include <boost/json/parse.hpp>
#include <map>
#include <set>
#include <sstream>

#include "base/text.h"
#include "document/write.h"
#include "intake/bad_rows.h"
#include "intake/csv_rows.h"

namespace probekeeper::hub {

namespace {

namespace json = boost::json;
using Outcome = api::StepReport::Outcome;

constexpr std::size_t most_rows = 5000;

// A row as it stands in the text, with the blank lines before it.
struct Row {
    std::uint64_t line = 0;
    std::string_view text;
    std::optional<std::string> probe;  // none: it is no CSV, or has no such column
};

struct Sheet {
    std::string_view header;
    std::vector<Row> rows;
    bool has_probes = false;
};

Sheet read(std::string const& csv) {
    Sheet sheet;
    intake::CsvRows rows{std::make_unique<std::istringstream>(csv)};
    std::uint64_t before = 0;
    std::optional<std::size_t> column;
    std::string_view const text = csv;
    for (bool first = true; rows.next(); first = false) {
        auto const slice = text.substr(before, rows.bytes_read() - before);
        before = rows.bytes_read();
        auto const& cells = rows.cells();
        if (first) {
            sheet.header = slice;
            auto const at = std::find_if(cells.begin(), cells.end(),
                                         [](std::string_view cell) { return trimmed(cell) == "probe"; });
            sheet.has_probes = at != cells.end();
            column = static_cast<std::size_t>(at - cells.begin());
            continue;
        }
        Row row{rows.line(), slice, std::nullopt};
        if (rows.problem().empty() && *column < cells.size()) {
            row.probe = std::string{trimmed(cells[*column])};
        }
        sheet.rows.push_back(std::move(row));
    }
    return sheet;
}

void add_blank(std::string& csv, std::string_view text) {
    csv.append(static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n')), '\n');
}

json::object refused_row(std::uint64_t line, std::string const& why) {
    return {{"line", line}, {"result", "refused"}, {"message", why}, {"record", nullptr}};
}

Outcome sheet_answer(std::vector<std::pair<std::uint64_t, json::value>> items, Timestamp at) {
    std::stable_sort(items.begin(), items.end(),
                     [](auto const& a, auto const& b) { return a.first < b.first; });
    std::map<std::string, std::uint64_t, std::less<>> counts;
    json::array written;
    for (auto& [line, item] : items) {
        ++counts[std::string{item.as_object().at("result").as_string()}];
        written.push_back(std::move(item));
    }
    json::object const answer{{"rows", written.size()},
                              {"kept", counts["kept"]},
                              {"repeated", counts["repeated"]},
                              {"refused", counts["refused"]},
                              {"items", written}};
    return {at, 200, "application/json", document::write(answer)};
}

// The items of such an answer; none where it is another.
std::optional<json::array> items_of(Outcome const& outcome) {
    json::error_code error;
    auto const answer = json::parse(outcome.body, error);
    auto const* const object = !error ? answer.if_object() : nullptr;
    auto const* const items = object != nullptr ? object->if_contains("items") : nullptr;
    return outcome.status == 200 && items != nullptr && items->is_array() ? std::optional{items->as_array()}
                                                                          : std::nullopt;
}

std::string why_of(Outcome const& outcome) {
    json::error_code error;
    auto const answer = json::parse(outcome.body, error);
    auto const* const object = !error ? answer.if_object() : nullptr;
    auto const* const detail = object != nullptr ? object->if_contains("detail") : nullptr;
    return detail != nullptr && detail->is_string() ? std::string{detail->as_string()}
                                                    : fmt::format("the site answered {}", outcome.status);
}

}  // namespace

std::vector<std::string> probes_in_sheet(std::string const& csv) {
    std::set<std::string> probes;
    for (auto const& row : read(csv).rows) {
        if (row.probe) {
            probes.insert(*row.probe);
        }
    }
    return {probes.begin(), probes.end()};
}

api::Answer<std::vector<SheetPart>> split_sheet(
    std::string const& csv,
    std::function<std::optional<std::string>(std::string const& probe)> const& site_of) {
    auto const sheet = read(csv);
    if (!sheet.has_probes) {
        return api::Refusal{api::Refusal::Kind::invalid, "header row: column probe is missing", "header", {}};
    }
    if (sheet.rows.size() > most_rows) {
        return api::Refusal{api::Refusal::Kind::invalid,
                            fmt::format("a sheet may have {} rows; send it in parts, the same row again does "
                                        "no harm",
                                        most_rows),
                            "rows",
                            {}};
    }
    std::vector<std::optional<std::string>> sites;
    std::set<std::string> all;
    for (auto const& row : sheet.rows) {
        sites.push_back(row.probe ? site_of(*row.probe) : std::nullopt);
        if (sites.back()) {
            all.insert(*sites.back());
        }
    }
    std::vector<SheetPart> parts;
    for (auto const& site : all) {
        SheetPart part{site, std::string{sheet.header}};
        for (std::size_t i = 0; i < sheet.rows.size(); ++i) {
            if (sites[i].value_or(*all.begin()) == site) {
                part.csv += sheet.rows[i].text;
            } else {
                add_blank(part.csv, sheet.rows[i].text);
            }
        }
        parts.push_back(std::move(part));
    }
    return parts;
}

Outcome join_sheet(std::vector<AnsweredPart> const& parts) {
    auto const& first = parts.front().outcome;
    auto const at = std::max_element(parts.begin(), parts.end(), [](auto const& a, auto const& b) {
                        return a.outcome.at < b.outcome.at;
                    })->outcome.at;
    bool const alike = std::all_of(parts.begin(), parts.end(), [&](AnsweredPart const& part) {
        return part.outcome.status == first.status;
    });
    if (parts.size() == 1 || (alike && first.status != 200)) {
        return {at, first.status, first.content_type, first.body};
    }
    std::vector<std::pair<std::uint64_t, json::value>> items;
    for (auto const& part : parts) {
        if (auto const told = items_of(part.outcome)) {
            for (auto const& item : *told) {
                items.emplace_back(item.at("line").to_number<std::uint64_t>(), item);
            }
            continue;
        }
        for (auto const& row : read(part.csv).rows) {
            items.emplace_back(row.line, refused_row(row.line, why_of(part.outcome)));
        }
    }
    return sheet_answer(std::move(items), at);
}

Outcome all_refused(std::string const& csv, Timestamp at) {
    std::vector<std::pair<std::uint64_t, json::value>> items;
    for (auto const& row : read(csv).rows) {
        items.emplace_back(row.line,
                           refused_row(row.line, row.probe ? fmt::format("column probe: there is no probe {} "
                                                                         "that this token covers",
                                                                         intake::shown(*row.probe))
                                                           : std::string{"the row is no CSV"}));
    }
    return sheet_answer(std::move(items), at);
}

}  // namespace probekeeper::hub
