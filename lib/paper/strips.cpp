#include "paper/strips.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <iterator>

#include "base/markup.h"
#include "paper/markup.h"

namespace probekeeper::paper {
namespace {

using diagnosis::Condition;

constexpr double width = 640.0, left = 74.0, right = 10.0;
constexpr double axis_height = 16.0;

std::string_view fill_of(Condition condition, bool out_of_use) {
    if (out_of_use) {
        return "url(#out-of-use)";
    }
    switch (condition) {
        case Condition::good:
            return "#d9ead9";
        case Condition::maintenance_required:
            return "url(#maintenance)";
        case Condition::out_of_specification:
            return "url(#specification)";
        case Condition::function_check:
            return "url(#check)";
        case Condition::failure:
            return "#222";
        case Condition::unknown:
            break;
    }
    return "url(#unknown)";
}

class Strip {
public:
    Strip(Days const& days, double height) : days_{days}, height_{height} {}

    template <typename... Args>
    void put(fmt::format_string<Args...> text, Args&&... args) {
        fmt::format_to(std::back_inserter(body_), text, std::forward<Args>(args)...);
    }

    [[nodiscard]] double x(Timestamp t) const {
        double const whole = seconds_between(days_.from, days_.until);
        double const part = std::clamp(seconds_between(days_.from, t), 0.0, whole);
        return left + (width - left - right) * (whole > 0.0 ? part / whole : 0.0);
    }

    // With the days below, by the place's own calendar: a line at each, a number at the first and every
    // fifth.
    [[nodiscard]] std::string svg(std::string_view what) {
        std::string axis;
        auto const first = days_.zone.day_of(days_.from);
        for (unsigned day = 1; day <= 31; ++day) {
            std::chrono::year_month_day const date{first.year(), first.month(), std::chrono::day{day}};
            if (!date.ok()) {
                break;
            }
            bool const named = day == 1 || day % 5 == 0;
            double const at = x(days_.zone.start_of(date));
            fmt::format_to(std::back_inserter(axis),
                           "<line x1=\"{0:.1f}\" x2=\"{0:.1f}\" y1=\"0\" y2=\"{1:.1f}\" stroke=\"{2}\"/>", at,
                           height_ + (named ? 4.0 : 0.0), named ? "#999" : "#ddd");
            if (named) {
                fmt::format_to(std::back_inserter(axis), "<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>",
                               at + 2.0, height_ + 12.0, day);
            }
        }
        if (days_.told_until < days_.until) {
            double const now = x(days_.told_until);
            put("<line x1=\"{0:.1f}\" x2=\"{0:.1f}\" y1=\"0\" y2=\"{1:.1f}\" stroke=\"#000\" "
                "stroke-dasharray=\"2 2\"/>",
                now, height_);
        }
        return fmt::format(
            "<svg class=\"strip\" viewBox=\"0 0 {:.0f} {:.0f}\" role=\"img\" aria-label=\"{}\" "
            "font-size=\"10\">{}{}</svg>",
            width, height_ + axis_height, escaped_markup(what), axis, body_);
    }

private:
    Days const& days_;
    double height_;
    std::string body_;
};

constexpr std::size_t most = 13;  // letters of a name that fit left of the days

std::string shortened(std::string_view name) {
    if (name.size() <= most) {
        return escaped_markup(name);
    }
    return "…" + escaped_markup(name.substr(name.size() - (most - 1)));
}

// What all names begin with, up to a hyphen: it tells none from another. Nothing where all fit, or of one
// alone.
std::size_t common_beginning(std::vector<std::string> const& names) {
    bool const fit =
        std::all_of(names.begin(), names.end(), [](auto const& name) { return name.size() <= most; });
    if (fit || names.size() < 2) {
        return 0;
    }
    std::size_t same = names.front().size();
    for (auto const& name : names) {
        auto const parts =
            std::mismatch(name.begin(), name.end(), names.front().begin(), names.front().end());
        same = std::min(same, static_cast<std::size_t>(parts.first - name.begin()));
    }
    auto const hyphen = names.front().rfind('-', same == 0 ? 0 : same - 1);
    return same == 0 || hyphen == std::string::npos ? 0 : hyphen + 1;
}

}  // namespace

std::string patterns() {
    constexpr std::string_view pattern =
        "<pattern id=\"{}\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" "
        "height=\"6\" fill=\"{}\"/><path d=\"{}\" stroke=\"#333\" stroke-width=\"{}\" "
        "fill=\"none\"/></pattern>";
    auto const one = [&](std::string_view id, std::string_view ground, std::string_view path, double stroke) {
        return fmt::format(fmt::runtime(pattern), id, ground, path, stroke);
    };
    return "<svg class=\"defs\" aria-hidden=\"true\"><defs>" + one("maintenance", "#f3dfae", "M0 3H6", 1.0) +
           one("specification", "#eeb9a0", "M0 3H6M3 0V6", 1.0) + one("check", "#c9dcf0", "M3 0V6", 1.0) +
           one("unknown", "#fff", "M-1 1L1 -1M0 6L6 0M5 7L7 5", 0.7) +
           one("out-of-use", "#fff", "M3 3h.1", 1.2) + "</defs></svg>\n";
}

std::string legend_box(Condition condition, bool out_of_use) {
    return fmt::format(
        "<svg class=\"box\" viewBox=\"0 0 18 10\" aria-hidden=\"true\"><rect x=\".5\" y=\".5\" width=\"17\" "
        "height=\"9\" fill=\"{}\" stroke=\"#333\"/></svg>",
        fill_of(condition, out_of_use));
}

std::string condition_strip(std::vector<service::ConditionSpan> const& spans, Days const& days) {
    constexpr double height = 16.0;
    Strip strip{days, height};
    for (auto const& span : spans) {
        double const from = strip.x(span.from), until = strip.x(span.until);
        strip.put(
            "<rect x=\"{:.2f}\" y=\"1\" width=\"{:.2f}\" height=\"{:.0f}\" "
            "fill=\"{}\"><title>{}</title></rect>",
            from, std::max(until - from, 0.4), height - 2.0, fill_of(span.condition, span.out_of_use),
            span.out_of_use ? "out of use" : spoken(to_word(span.condition)));
    }
    strip.put("<rect x=\"{:.1f}\" y=\"1\" width=\"{:.1f}\" height=\"{:.0f}\" fill=\"none\" stroke=\"#333\"/>",
              left, strip.x(days.told_until) - left, height - 2.0);
    return strip.svg("condition over the month");
}

std::string test_strip(std::vector<service::MonthTest> const& tests, Days const& days) {
    constexpr double height = 54.0, margin = 6.0;
    Strip strip{days, height};
    double most = 0.0;
    for (auto const& test : tests) {
        most = std::max(most, test.used && std::isfinite(test.t90_20_s) ? test.t90_20_s : 0.0);
    }
    // Room for what lies above: one that was set aside may lie anywhere, and then stands at the edge.
    double const scale = most > 0.0 ? 1.2 * most : 1.0;
    auto const y = [&](double value) {
        return height - margin - (height - 2.0 * margin) * std::clamp(value / scale, 0.0, 1.0);
    };
    if (most > 0.0) {
        strip.put(
            "<text x=\"{0:.0f}\" y=\"{1:.1f}\" text-anchor=\"end\">{2:.0f} s</text><line x1=\"{3:.0f}\" "
            "x2=\"{4:.0f}\" y1=\"{5:.1f}\" y2=\"{5:.1f}\" stroke=\"#999\" stroke-dasharray=\"1 3\"/>",
            left - 4.0, y(most) + 4.0, most, left, width - right, y(most));
        strip.put("<text x=\"{:.0f}\" y=\"{:.1f}\" text-anchor=\"end\">0 s</text>", left - 4.0, y(0.0) + 4.0);
    }
    for (auto const& test : tests) {
        if (!std::isfinite(test.t90_20_s) || test.t90_20_s <= 0.0) {
            continue;  // set aside before it gave a figure
        }
        strip.put(
            "<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"{}\" fill=\"{}\" stroke=\"#333\" stroke-width=\".6\"/>",
            strip.x(test.at), y(test.t90_20_s), test.used ? "1.8" : "1.6", test.used ? "#333" : "#fff");
    }
    strip.put("<line x1=\"{0:.0f}\" x2=\"{1:.0f}\" y1=\"{2:.1f}\" y2=\"{2:.1f}\" stroke=\"#333\"/>", left,
              width - right, y(0.0));
    return strip.svg("T90 of response tests over the month");
}

std::string stretches(std::vector<Stretch> const& lines, Days const& days) {
    std::vector<std::string> names;  // a row each, in the order in which they first stand
    for (auto const& line : lines) {
        if (std::find(names.begin(), names.end(), line.name) == names.end()) {
            names.push_back(line.name);
        }
    }
    auto const dropped = common_beginning(names);
    constexpr double row = 14.0;
    auto const middle = [&](std::size_t i) { return row * (static_cast<double>(i) + 0.5); };
    Strip strip{days, row * static_cast<double>(std::max<std::size_t>(names.size(), 1))};
    for (std::size_t i = 0; i < names.size(); ++i) {
        strip.put("<text x=\"{:.0f}\" y=\"{:.1f}\" text-anchor=\"end\">{}<title>{}</title></text>",
                  left - 6.0, middle(i) + 3.5, shortened(std::string_view{names[i]}.substr(dropped)),
                  escaped_markup(names[i]));
    }
    for (auto const& line : lines) {
        double const y = middle(
            static_cast<std::size_t>(std::find(names.begin(), names.end(), line.name) - names.begin()));
        double const from = strip.x(line.from), until = strip.x(line.until.value_or(days.told_until));
        if (line.until && *line.until == line.from) {
            strip.put("<path d=\"M{:.1f} {:.1f}l4 4l-4 4l-4 -4z\" fill=\"#333\"/>", from, y - 4.0);
            continue;
        }
        strip.put(
            "<line x1=\"{0:.1f}\" x2=\"{1:.1f}\" y1=\"{2:.1f}\" y2=\"{2:.1f}\" stroke=\"#333\" "
            "stroke-width=\"4\"/>",
            from, std::max(until, from + 1.5), y);
        if (line.until) {
            strip.put("<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4\" fill=\"#fff\" stroke=\"#333\"/>", until,
                      y);
        } else {
            strip.put("<path d=\"M{:.1f} {:.1f}l7 5l-7 5z\" fill=\"#333\"/>", until, y - 5.0);
        }
    }
    return strip.svg("over the month");
}

std::string bars(std::vector<Bar> const& bars) {
    constexpr double row = 18.0, at = 160.0;
    int most = 1;
    for (auto const& bar : bars) {
        most = std::max(most, bar.count);
    }
    std::string body;
    double y = 0.0;
    for (auto const& bar : bars) {
        double const length = (width - at - 60.0) * bar.count / most;
        fmt::format_to(
            std::back_inserter(body),
            "<text x=\"{:.0f}\" y=\"{:.1f}\" text-anchor=\"end\">{}</text><rect x=\"{:.0f}\" y=\"{:.1f}\" "
            "width=\"{:.1f}\" height=\"12\" fill=\"#888\" stroke=\"#333\"/><text x=\"{:.1f}\" "
            "y=\"{:.1f}\">{}</text>",
            at - 6.0, y + 13.0, escaped_markup(bar.name), at, y + 3.0, length, at + length + 6.0, y + 13.0,
            bar.count);
        y += row;
    }
    return fmt::format(
        "<svg class=\"strip\" viewBox=\"0 0 {:.0f} {:.0f}\" role=\"img\" aria-label=\"numbers\" "
        "font-size=\"11\">{}</svg>",
        width, std::max(y, row), body);
}

}  // namespace probekeeper::paper
