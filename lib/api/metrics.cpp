#include "api/metrics.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

namespace probekeeper::api {
namespace {

std::string_view to_word(MetricsText::Type type) {
    switch (type) {
        case MetricsText::Type::counter:
            return "counter";
        case MetricsText::Type::gauge:
            return "gauge";
        case MetricsText::Type::histogram:
            return "histogram";
    }
    return "";
}

std::string escaped(std::string_view value) {
    std::string out;
    for (char const c : value) {
        if (c == '\n') {
            out += "\\n";
            continue;
        }
        if (c == '\\' || c == '"') {
            out += '\\';
        }
        out += c;
    }
    return out;
}

}  // namespace

void Latencies::add(std::chrono::steady_clock::duration took) {
    auto const s = std::chrono::duration<double>(took).count();
    auto const place = std::lower_bound(bounds_s.begin(), bounds_s.end(), s) - bounds_s.begin();
    counts_[static_cast<std::size_t>(place)].fetch_add(1, std::memory_order_relaxed);
    sum_us_.fetch_add(static_cast<std::uint64_t>(std::max(0.0, s * 1e6)), std::memory_order_relaxed);
}

void MetricsText::family(std::string_view name, Type type, std::string_view unit, std::string_view help) {
    name_ = fmt::format("probekeeper_{}", name);
    type_ = type;
    text_ += fmt::format("# TYPE {} {}\n", name_, to_word(type));
    if (!unit.empty()) {
        text_ += fmt::format("# UNIT {} {}\n", name_, unit);
    }
    text_ += fmt::format("# HELP {} {}\n", name_, escaped(help));
}

void MetricsText::line(std::string_view suffix, Labels labels, std::string_view more, double value) {
    text_ += name_;
    text_ += suffix;
    std::string inside;
    for (auto const& [key, content] : labels) {
        inside += fmt::format("{}{}=\"{}\"", inside.empty() ? "" : ",", key, escaped(content));
    }
    if (!more.empty()) {
        inside += fmt::format("{}{}", inside.empty() ? "" : ",", more);
    }
    text_ += inside.empty() ? fmt::format(" {}\n", value) : fmt::format("{{{}}} {}\n", inside, value);
}

void MetricsText::sample(Labels labels, double value) {
    line(type_ == Type::counter ? "_total" : "", labels, "", value);
}

void MetricsText::sample(Labels labels, Latencies const& latencies) {
    std::array<std::uint64_t, Latencies::bounds_s.size() + 1> counts{};
    std::transform(latencies.counts_.begin(), latencies.counts_.end(), counts.begin(),
                   [](auto const& count) { return count.load(std::memory_order_relaxed); });
    histogram(labels, Latencies::bounds_s, counts,
              static_cast<double>(latencies.sum_us_.load(std::memory_order_relaxed)) / 1e6);
}

void MetricsText::histogram(Labels labels, std::span<double const> bounds,
                            std::span<std::uint64_t const> counts, double sum) {
    std::uint64_t below = 0;
    for (std::size_t i = 0; i < counts.size(); ++i) {
        below += counts[i];
        auto const bound =
            i < bounds.size() ? fmt::format("le=\"{}\"", bounds[i]) : std::string{"le=\"+Inf\""};
        line("_bucket", labels, bound, static_cast<double>(below));
    }
    line("_count", labels, "", static_cast<double>(below));
    line("_sum", labels, "", sum);
}

std::string MetricsText::finish() {
    text_ += "# EOF\n";
    return std::move(text_);
}

}  // namespace probekeeper::api
