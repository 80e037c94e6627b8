#include "intake/csv_rows.h"

#include <algorithm>
#include <bit>
#include <cstring>

#include "intake/bad_rows.h"

namespace probekeeper::intake {
namespace {

constexpr std::size_t chunk = 1U << 16U;
constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
constexpr std::size_t none = static_cast<std::size_t>(-1);

}  // namespace

CsvRows::CsvRows(std::unique_ptr<std::istream> in)
    : in_{std::move(in)}, buffer_(chunk + CsvRows::longest_row) {
    unquoted_.reserve(longest_row);
    fill();
    if (std::string_view{buffer_.data(), end_}.starts_with(byte_order_mark)) {
        at_ = byte_order_mark.size();
    }
}

// Keeps what is left and reads on, so that a row of the longest allowed length lies in one piece.
void CsvRows::fill() {
    std::memmove(buffer_.data(), buffer_.data() + at_, end_ - at_);
    bytes_before_ += at_;
    end_ -= at_;
    at_ = 0;
    in_->read(buffer_.data() + end_, static_cast<std::streamsize>(buffer_.size() - end_));
    if (in_->bad()) {
        throw CsvError{"reading failed"};
    }
    end_ += static_cast<std::size_t>(in_->gcount());
    at_end_of_input_ = in_->eof();
}

bool CsvRows::next() {
    for (;;) {
        if (end_ - at_ <= longest_row && !at_end_of_input_) {
            fill();
        }
        if (at_ == end_) {
            return false;
        }
        line_ = next_line_;
        problem_ = {};
        cells_.clear();
        char const* const begin = buffer_.data() + at_;
        std::size_t const room = std::min(end_ - at_, longest_row);
        auto const* const newline = static_cast<char const*>(std::memchr(begin, '\n', room));
        if (newline == nullptr && room < end_ - at_) {
            problem_ = "the row is longer than 65536 bytes";
            skip_line();
            return true;
        }
        std::size_t const length = newline == nullptr ? room : static_cast<std::size_t>(newline - begin);
        if (std::memchr(begin, '"', length) != nullptr) {
            if (!split_quoted()) {
                skip_line();
            }
            return true;
        }
        at_ += newline == nullptr ? length : length + 1;
        ++next_line_;
        std::string_view row{begin, length};
        if (row.ends_with('\r')) {
            row.remove_suffix(1);
        }
        if (!row.empty()) {
            split(row);
            return true;
        }
    }
}

void CsvRows::skip_line() {
    for (;;) {
        auto const* const newline =
            static_cast<char const*>(std::memchr(buffer_.data() + at_, '\n', end_ - at_));
        if (newline != nullptr) {
            at_ = static_cast<std::size_t>(newline - buffer_.data()) + 1;
            break;
        }
        at_ = end_;
        if (at_end_of_input_) {
            break;
        }
        fill();
    }
    ++next_line_;
}

// Cells are short: eight characters at a time, with the highest bit of each byte that is a comma.
void CsvRows::split(std::string_view row) {
    constexpr std::uint64_t ones = 0x0101010101010101, low = 0x7f7f7f7f7f7f7f7f, commas = ones * ',';
    std::size_t cell = 0;
    auto const ends_at = [&](std::size_t at) {
        cells_.push_back(row.substr(cell, at - cell));
        cell = at + 1;
    };
    std::size_t at = 0;
    if constexpr (std::endian::native == std::endian::little) {
        for (; at + 8 <= row.size(); at += 8) {
            std::uint64_t eight = 0;
            std::memcpy(&eight, row.data() + at, 8);
            auto const other = eight ^ commas;
            for (auto found = ~(((other & low) + low) | other | low); found != 0; found &= found - 1) {
                ends_at(at + static_cast<std::size_t>(std::countr_zero(found)) / 8);
            }
        }
    }
    for (; at < row.size(); ++at) {
        if (row[at] == ',') {
            ends_at(at);
        }
    }
    ends_at(row.size());
}

// A row with quotes may hold newlines, so it is taken from the buffer cell by cell. False, with problem_ set
// and at_ unmoved, where it is malformed.
bool CsvRows::split_quoted() {
    unquoted_.clear();
    std::size_t const limit = at_ + std::min(end_ - at_, longest_row);
    std::size_t at = at_;
    std::uint64_t newlines = 0;
    for (;;) {
        if (at < limit && buffer_[at] == '"') {
            std::size_t const after = take_quoted_cell(at, limit);
            if (after == none) {
                return false;
            }
            newlines += static_cast<std::uint64_t>(
                std::count(buffer_.begin() + static_cast<std::ptrdiff_t>(at),
                           buffer_.begin() + static_cast<std::ptrdiff_t>(after), '\n'));
            at = after;
        } else {
            std::size_t const from = at;
            while (at < limit && buffer_[at] != ',' && buffer_[at] != '\n') {
                ++at;
            }
            bool const carriage_return =
                at > from && (at == limit || buffer_[at] == '\n') && buffer_[at - 1] == '\r';
            cells_.emplace_back(buffer_.data() + from, at - from - (carriage_return ? 1 : 0));
        }
        if (at == limit || buffer_[at] == '\n') {
            break;
        }
        if (buffer_[at] == ',') {
            ++at;
            continue;
        }
        if (buffer_[at] == '\r' && (at + 1 == limit || buffer_[at + 1] == '\n')) {
            ++at;
            break;
        }
        problem_ = "text follows a closing quote; a quote inside a quoted cell is written twice";
        return false;
    }
    if (at == limit && limit != end_) {
        problem_ = "the row is longer than 65536 bytes";
        return false;
    }
    at_ = std::min(at + 1, end_);
    next_line_ += newlines + 1;
    return true;
}

// The cell that opens at `at`; gives the place after its closing quote.
std::size_t CsvRows::take_quoted_cell(std::size_t at, std::size_t limit) {
    std::size_t const from = unquoted_.size();
    ++at;
    while (at < limit) {
        if (buffer_[at] != '"') {
            unquoted_ += buffer_[at];
            ++at;
        } else if (at + 1 < limit && buffer_[at + 1] == '"') {
            unquoted_ += '"';
            at += 2;
        } else {
            cells_.emplace_back(unquoted_.data() + from, unquoted_.size() - from);
            return at + 1;
        }
    }
    problem_ = "a quote is opened and not closed within 65536 bytes";
    return none;
}

}  // namespace probekeeper::intake
