// Counters and measurements as OpenMetrics text 1.0.0.
#pragma once

#include <array>
#include <atomic>
#include <chrono>
#include <cstdint>
#include <initializer_list>
#include <span>
#include <string>
#include <string_view>
#include <utility>

namespace probekeeper::api {

// How long something took, by powers of about three from 1 ms to 30 s. Thread-safe.
class Latencies {
public:
    static constexpr std::array<double, 10> bounds_s{0.001, 0.003, 0.01, 0.03, 0.1,
                                                     0.3,   1.0,   3.0,  10.0, 30.0};
    void add(std::chrono::steady_clock::duration took);

private:
    friend class MetricsText;
    std::array<std::atomic<std::uint64_t>, bounds_s.size() + 1> counts_{};
    std::atomic<std::uint64_t> sum_us_{0};
};

// Adds the time of a scope.
class Stopwatch {
public:
    explicit Stopwatch(Latencies& into) : into_{into} {}
    ~Stopwatch() { into_.add(std::chrono::steady_clock::now() - begun_); }
    Stopwatch(Stopwatch&&) = delete;

private:
    Latencies& into_;
    std::chrono::steady_clock::time_point begun_ = std::chrono::steady_clock::now();
};

// Writes families one after the other: family(), then its samples, then the next. Names have no prefix here,
// and counters no _total: both are added.
class MetricsText {
public:
    using Labels = std::initializer_list<std::pair<std::string_view, std::string_view>>;
    enum class Type : std::uint8_t { counter, gauge, histogram };

    // `unit`: "seconds", "bytes" or empty; a name with a unit ends in it.
    void family(std::string_view name, Type type, std::string_view unit, std::string_view help);
    void sample(Labels labels, double value);
    void sample(Labels labels, Latencies const& latencies);
    // `counts` within each of the rising `bounds`, and beyond the last.
    void histogram(Labels labels, std::span<double const> bounds, std::span<std::uint64_t const> counts,
                   double sum);
    // All of it, with the line that ends it.
    [[nodiscard]] std::string finish();

private:
    void line(std::string_view suffix, Labels labels, std::string_view more, double value);
    std::string text_, name_;
    Type type_ = Type::gauge;
};

}  // namespace probekeeper::api
