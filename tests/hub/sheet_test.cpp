#include "hub/sheet.h"

#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>

using namespace probekeeper;

namespace {

std::optional<std::string> site_of(std::string const& probe) {
    return probe.starts_with("mill-")   ? std::optional<std::string>{"mill"}
           : probe.starts_with("pond-") ? std::optional<std::string>{"pond"}
                                        : std::nullopt;
}

api::StepReport::Outcome answered(std::string items) {
    return {from_unix_ms(1), 200, "application/json", "{\"items\":[" + std::move(items) + "]}"};
}

std::string item(int line, std::string const& result) {
    return "{\"line\":" + std::to_string(line) + ",\"result\":\"" + result +
           "\",\"message\":null,\"record\":null}";
}

}  // namespace

TEST_CASE("a sheet is taken apart by site, and every row keeps its line", "[hub]") {
    std::string const csv =
        "time,probe,kind,note\n"
        "\n"
        "t,mill-1,inspection,\"two\nlines\"\n"
        "t,pond-1,inspection,\n"
        "t,nobody,inspection,\n"
        "t,mill-2,inspection,";
    auto const parts = hub::split_sheet(csv, site_of).value();
    REQUIRE(parts.size() == 2);
    CHECK(parts[0].site == "mill");
    CHECK(parts[0].csv ==
          "time,probe,kind,note\n\nt,mill-1,inspection,\"two\nlines\"\n\nt,nobody,inspection,\nt,mill-2,"
          "inspection,");
    CHECK(parts[1].site == "pond");
    CHECK(parts[1].csv == "time,probe,kind,note\n\n\n\nt,pond-1,inspection,\n\n");
    CHECK(hub::probes_in_sheet(csv) == std::vector<std::string>{"mill-1", "mill-2", "nobody", "pond-1"});
}

TEST_CASE("a sheet of no known probe has no parts, and one without the column is refused", "[hub]") {
    CHECK(hub::split_sheet("time,probe,kind\nt,nobody,inspection\n", site_of).value().empty());
    auto const refused = hub::split_sheet("time,kind\nt,inspection\n", site_of);
    REQUIRE_FALSE(refused.has_value());
    CHECK(refused.error().field == "header");
    auto const answer = boost::json::parse(
        hub::all_refused("time,probe,kind\nt,nobody,inspection\n\nt,\"", from_unix_ms(5)).body);
    CHECK(answer.at("refused") == 2);
    CHECK(answer.at("items").at(0).at("line") == 2);
    CHECK(answer.at("items").at(1).at("line") == 4);
}

TEST_CASE("the sites' answers are one answer, by line", "[hub]") {
    auto const joined = hub::join_sheet({{"", answered(item(2, "kept") + "," + item(5, "refused"))},
                                         {"", answered(item(3, "repeated") + "," + item(4, "kept"))}});
    CHECK(joined.status == 200);
    auto const answer = boost::json::parse(joined.body);
    CHECK(answer.at("rows") == 4);
    CHECK(answer.at("kept") == 2);
    CHECK(answer.at("repeated") == 1);
    CHECK(answer.at("refused") == 1);
    for (int i = 0; i < 4; ++i) {
        CHECK(answer.at("items").at(static_cast<std::size_t>(i)).at("line") == i + 2);
    }
}

TEST_CASE("where one site refuses its part, its rows are refused and the others' stand", "[hub]") {
    api::StepReport::Outcome const no{from_unix_ms(9), 403, "application/problem+json",
                                      R"({"type":"/problems/forbidden","detail":"not you"})"};
    auto const joined = hub::join_sheet({{"time,probe,kind\nt,mill-1,x\n\n", answered(item(2, "kept"))},
                                         {"time,probe,kind\n\nt,pond-1,x\n", no}});
    CHECK(joined.status == 200);
    CHECK(joined.at == from_unix_ms(9));
    auto const answer = boost::json::parse(joined.body);
    CHECK(answer.at("kept") == 1);
    CHECK(answer.at("items").at(1).at("line") == 3);
    CHECK(answer.at("items").at(1).at("message") == "not you");
    auto const both = hub::join_sheet({{"", no}, {"", no}});
    CHECK(both.status == 403);
    CHECK(both.body == no.body);
}
