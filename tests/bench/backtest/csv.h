// Rows of a readings file, written fast: a fleet has millions.
#pragma once

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <string>

#include "base/time.h"

namespace probekeeper::backtest {

// Builds one row in place. Cells that are not put stay empty.
class Row {
public:
    void begin(Timestamp time, std::string const& probe);
    void number(double value, int decimals);
    void bit(bool on);
    void empty() { text_ += ','; }
    [[nodiscard]] std::string const& end();

private:
    std::string text_;
    std::string date_;  // "2026-03-01T", of the last row
    std::chrono::sys_days day_{};
};

// A text file written in large pieces. Throws std::runtime_error where it cannot be written.
class TextFile {
public:
    explicit TextFile(std::filesystem::path const& file);
    ~TextFile();
    TextFile(TextFile&&) = delete;
    void write(std::string const& text);
    void close();

private:
    std::filesystem::path name_;
    std::ofstream out_;
    std::string waiting_;
};

}  // namespace probekeeper::backtest
