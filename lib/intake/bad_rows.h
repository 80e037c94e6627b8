// What the CSV readers do with rows that they cannot use: report each with its line, count them, and stop
// when there are so many that the file must be of another kind than it was taken for.
#pragma once

#include <cstdint>
#include <functional>
#include <stdexcept>
#include <string>
#include <string_view>

#include "base/time.h"

namespace probekeeper::intake {

struct BadRow {
    std::uint64_t line = 0;  // 1-based, of the file, where the row begins
    std::string message;
};

// "line 17: column temperature_c: `abc` is not a number"
[[nodiscard]] std::string to_line(BadRow const& row);

// The file as a whole cannot be used: it cannot be read, or its header row says something else than it must.
class CsvError : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
};
class TooManyBadRows : public CsvError {
public:
    using CsvError::CsvError;
};

struct CsvOptions {
    std::uint64_t max_bad_rows = 1000;           // one more stops the reader
    std::function<void(BadRow const&)> bad_row;  // called for each; may be empty
    Timestamp latest = Timestamp::max();         // a reading beyond it is bad: it cannot have been read yet
};

class BadRows {
public:
    explicit BadRows(CsvOptions options) : options_{std::move(options)} {}
    // Reports and counts; throws TooManyBadRows, after the report, when it is one too many.
    void add(std::uint64_t line, std::string message);
    [[nodiscard]] std::uint64_t count() const { return count_; }

private:
    CsvOptions options_;
    std::uint64_t count_ = 0;
};

// A cell as it is shown in a message: in backticks, shortened, without control characters.
[[nodiscard]] std::string shown(std::string_view cell);

}  // namespace probekeeper::intake
