// Splits CSV text into rows of cells as RFC 4180 writes them, in a fixed amount of memory however long the
// text is. Tolerates LF and CRLF, a UTF-8 byte order mark, a missing newline at the end, and blank lines.
#pragma once

#include <cstdint>
#include <istream>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

namespace probekeeper::intake {

class CsvRows {
public:
    // A longer row is malformed. The bound also keeps a forgotten closing quote from swallowing the file.
    static constexpr std::size_t longest_row = 65'536;

    explicit CsvRows(std::unique_ptr<std::istream> in);

    // Goes to the next row that is not blank; false at the end of the text. Throws CsvError where reading
    // fails.
    [[nodiscard]] bool next();

    // Of the row that next() went to, and valid until it is called again. Quotes are taken off.
    [[nodiscard]] std::vector<std::string_view> const& cells() const { return cells_; }
    // Why the row is no CSV, and empty where it is; the next row begins on the line after.
    [[nodiscard]] std::string_view problem() const { return problem_; }
    // 1-based line on which the row begins.
    [[nodiscard]] std::uint64_t line() const { return line_; }
    [[nodiscard]] std::uint64_t bytes_read() const { return bytes_before_ + at_; }

private:
    void fill();
    void skip_line();
    void split(std::string_view row);
    [[nodiscard]] bool split_quoted();
    [[nodiscard]] std::size_t take_quoted_cell(std::size_t at, std::size_t limit);

    std::unique_ptr<std::istream> in_;
    std::vector<char> buffer_;
    std::size_t at_ = 0, end_ = 0;  // what is left of the buffer
    std::uint64_t bytes_before_ = 0;
    bool at_end_of_input_ = false;
    std::uint64_t line_ = 0, next_line_ = 1;
    std::vector<std::string_view> cells_;
    std::string unquoted_;  // cells of the row that had quotes; never grows beyond its reserve, so views hold
    std::string_view problem_;
};

}  // namespace probekeeper::intake
