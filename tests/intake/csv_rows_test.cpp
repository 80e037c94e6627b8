#include "intake/csv_rows.h"

#include <catch2/catch.hpp>
#include <sstream>

namespace probekeeper::intake {
namespace {

using Cells = std::vector<std::string>;

struct Parsed {
    std::uint64_t line;
    Cells cells;
    std::string problem;
};

std::vector<Parsed> parse(std::string text) {
    CsvRows rows{std::make_unique<std::istringstream>(std::move(text))};
    std::vector<Parsed> parsed;
    while (rows.next()) {
        parsed.push_back(
            {rows.line(), Cells{rows.cells().begin(), rows.cells().end()}, std::string{rows.problem()}});
    }
    return parsed;
}

TEST_CASE("cells are split at commas and keep their blanks", "[intake]") {
    auto const rows = parse("a,b c,\n,,\n");
    REQUIRE(rows.size() == 2);
    CHECK(rows[0].cells == Cells{"a", "b c", ""});
    CHECK(rows[1].cells == Cells{"", "", ""});
}

TEST_CASE("CRLF, a byte order mark, blank lines and a missing last newline are tolerated", "[intake]") {
    auto const rows = parse(
        "\xEF\xBB\xBF"
        "a,b\r\n\r\n\n1,2\r\n3,4");
    REQUIRE(rows.size() == 3);
    CHECK(rows[0].cells == Cells{"a", "b"});
    CHECK(rows[1].cells == Cells{"1", "2"});
    CHECK(rows[1].line == 4);
    CHECK(rows[2].cells == Cells{"3", "4"});
    CHECK(rows[2].line == 5);
}

TEST_CASE("quoted cells may hold commas, quotes and newlines", "[intake]") {
    auto const rows = parse("\"a,\"\"b\"\"\",c,\"\"\r\n\"two\nlines\",x\r\nafter,1\n");
    REQUIRE(rows.size() == 3);
    CHECK(rows[0].cells == Cells{"a,\"b\"", "c", ""});
    CHECK(rows[1].cells == Cells{"two\nlines", "x"});
    CHECK(rows[2].cells == Cells{"after", "1"});
    CHECK(rows[2].line == 4);
}

TEST_CASE("a quote in the middle of an unquoted cell stands for itself", "[intake]") {
    auto const rows = parse("5\" pipe,x\n");
    REQUIRE(rows.size() == 1);
    CHECK(rows[0].cells == Cells{"5\" pipe", "x"});
}

TEST_CASE("a quote that is never closed costs its own line and no other", "[intake]") {
    auto const rows = parse("a,\"b\n1,2\n3,4\n");
    REQUIRE(rows.size() == 3);
    CHECK_THAT(rows[0].problem, Catch::Contains("not closed"));
    CHECK(rows[1].cells == Cells{"1", "2"});
    CHECK(rows[1].line == 2);
    CHECK(rows[2].line == 3);
}

TEST_CASE("text after a closing quote is malformed", "[intake]") {
    auto const rows = parse("\"a\"b,c\n1,2\n");
    REQUIRE(rows.size() == 2);
    CHECK_THAT(rows[0].problem, Catch::Contains("closing quote"));
    CHECK(rows[1].cells == Cells{"1", "2"});
}

TEST_CASE("a row beyond the longest allowed is told and skipped, wherever the buffer ends", "[intake]") {
    auto const length = GENERATE(CsvRows::longest_row + 1, std::size_t{1'100'000}, std::size_t{3'000'000});
    auto const rows = parse("a\n" + std::string(length, 'x') + "\nb\n");
    REQUIRE(rows.size() == 3);
    CHECK_THAT(rows[1].problem, Catch::Contains("longer than"));
    CHECK(rows[2].cells == Cells{"b"});
    CHECK(rows[2].line == 3);
}

TEST_CASE("rows come out the same wherever they cross the end of a chunk", "[intake]") {
    std::string text;
    std::vector<Cells> expected;
    for (int i = 0; i < 60'000; ++i) {
        auto const n = std::to_string(i);
        bool const quoted = i % 7 == 0;
        text += n + (quoted ? ",\"line\n" + n + "\"\r\n"
                            : "," + std::string(static_cast<std::size_t>(i % 50), 'y') + "\n");
        expected.push_back({n, quoted ? "line\n" + n : std::string(static_cast<std::size_t>(i % 50), 'y')});
    }
    REQUIRE(text.size() > 1'500'000);
    auto const rows = parse(text);
    REQUIRE(rows.size() == expected.size());
    bool all_same = true;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        all_same = all_same && rows[i].cells == expected[i];
    }
    CHECK(all_same);
}

TEST_CASE("bytes read end at the length of the text", "[intake]") {
    CsvRows rows{std::make_unique<std::istringstream>("a,b\n1,2\n")};
    while (rows.next()) {
    }
    CHECK(rows.bytes_read() == 8);
}

}  // namespace
}  // namespace probekeeper::intake
