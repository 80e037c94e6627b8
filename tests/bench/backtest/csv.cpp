#include "csv.h"

#include <charconv>
#include <cmath>
#include <stdexcept>

namespace probekeeper::backtest {
namespace {

constexpr std::size_t piece_bytes = 1U << 20U;

void put_digits(char*& at, std::int64_t value, int count) {
    for (int i = count - 1; i >= 0; --i) {
        at[i] = static_cast<char>('0' + value % 10);
        value /= 10;
    }
    at += count;
}

}  // namespace

void Row::begin(Timestamp time, std::string const& probe) {
    auto const day = std::chrono::floor<std::chrono::days>(time);
    if (day != day_ || date_.empty()) {
        day_ = day;
        date_ = to_rfc3339(time).substr(0, 11);
    }
    auto const ms = (time - day).count();
    char clock[13];
    char* at = clock;
    put_digits(at, ms / 3'600'000, 2);
    *at++ = ':';
    put_digits(at, ms / 60'000 % 60, 2);
    *at++ = ':';
    put_digits(at, ms / 1000 % 60, 2);
    *at++ = '.';
    put_digits(at, ms % 1000, 3);
    *at++ = 'Z';
    text_.assign(date_).append(clock, sizeof clock);
    text_ += ',';
    text_ += probe;
}

void Row::number(double value, int decimals) {
    static constexpr double tiny[] = {0.5, 0.05, 0.005, 0.0005, 0.00005};
    if (std::abs(value) < tiny[decimals]) {
        value = 0.0;  // never "-0.00"
    }
    char cell[32];
    auto const [end, error] =
        std::to_chars(cell, cell + sizeof cell, value, std::chars_format::fixed, decimals);
    text_ += ',';
    if (error == std::errc{}) {
        text_.append(cell, end);
    }
}

void Row::bit(bool on) {
    text_ += on ? ",1" : ",0";
}

std::string const& Row::end() {
    text_ += '\n';
    return text_;
}

TextFile::TextFile(std::filesystem::path const& file) : name_{file}, out_{file, std::ios::binary} {
    if (!out_) {
        throw std::runtime_error("cannot write " + file.string());
    }
    waiting_.reserve(piece_bytes + 4096);
}

TextFile::~TextFile() {
    out_.write(waiting_.data(), static_cast<std::streamsize>(waiting_.size()));
}

void TextFile::write(std::string const& text) {
    waiting_ += text;
    if (waiting_.size() >= piece_bytes) {
        out_.write(waiting_.data(), static_cast<std::streamsize>(waiting_.size()));
        waiting_.clear();
    }
}

void TextFile::close() {
    out_.write(waiting_.data(), static_cast<std::streamsize>(waiting_.size()));
    waiting_.clear();
    out_.close();
    if (!out_) {
        throw std::runtime_error("cannot write all of " + name_.string());
    }
}

}  // namespace probekeeper::backtest
