#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>

#include "base/markup.h"
#include "chart/axis.h"
#include "chart/chart.h"

namespace probekeeper::chart {
namespace {

constexpr double width = 640.0, height = 280.0;
constexpr double left = 52.0, right = 16.0, top = 44.0, bottom = 28.0;
constexpr double letter = 6.2;  // width of one at the labels' size, about

class Drawing {
public:
    explicit Drawing(Chart const& chart) : chart_{chart}, axis_{axis_of(chart)} {}

    std::string svg() {
        open();
        if (chart_.empty.empty()) {
            grid();
            band();
            fan();
            levels();
            line();
            dots();
            events();
        } else {
            put("<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>", width / 2.0, height / 2.0,
                escaped_markup(chart_.empty));
        }
        out_ += "</svg>\n";
        return std::move(out_);
    }

private:
    static Axis axis_of(Chart const& chart) {
        std::vector<double> values;
        for (auto const& p : chart.line) {
            values.push_back(p.value);
        }
        for (auto const& p : chart.good_dots) {
            values.push_back(p.value);
        }
        for (auto const& r : chart.band) {
            values.push_back(r.low);
            values.push_back(r.high);
        }
        for (auto const& r : chart.fan) {
            values.push_back(r.low);
            values.push_back(r.high);
        }
        for (auto const& l : chart.levels) {
            values.push_back(l.value);
        }
        std::erase_if(values, [](double v) { return !std::isfinite(v); });
        if (values.empty()) {
            return {};
        }
        auto const [lowest, highest] = std::minmax_element(values.begin(), values.end());
        // What is always positive is shown from zero: a doubled T90 then looks doubled.
        return axis_over(*lowest >= 0.0 ? 0.0 : *lowest, std::max(*highest, 1e-6), 4);
    }

    template <typename... Values>
    void put(fmt::format_string<Values...> format, Values&&... values) {
        fmt::format_to(std::back_inserter(out_), format, std::forward<Values>(values)...);
        out_ += '\n';
    }
    [[nodiscard]] double x(Timestamp t) const {
        double const part =
            seconds_between(chart_.from, t) / std::max(seconds_between(chart_.from, chart_.to), 1e-3);
        return left + (width - left - right) * std::clamp(part, 0.0, 1.0);
    }
    // Outside of the axis: at its edge.
    [[nodiscard]] double y(double value) const {
        double const part = (value - axis_.low) / (axis_.high - axis_.low);
        return height - bottom - (height - top - bottom) * std::clamp(part, 0.0, 1.0);
    }
    [[nodiscard]] bool within(Timestamp t) const { return chart_.from <= t && t <= chart_.to; }

    void open() {
        put("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" role=\"img\" "
            "font-family=\"sans-serif\" font-size=\"11\" fill=\"#222\">",
            width, height);
        put("<title>{}</title>", escaped_markup(chart_.title));
        put("<rect width=\"{}\" height=\"{}\" fill=\"#fff\"/>", width, height);
        put("<text x=\"{}\" y=\"16\" font-size=\"13\" font-weight=\"bold\">{}</text>", left,
            escaped_markup(chart_.title));
        put("<text x=\"{}\" y=\"16\" text-anchor=\"end\">{}</text>", left - 8.0, escaped_markup(chart_.unit));
    }

    void grid() {
        auto const steps = std::lround((axis_.high - axis_.low) / axis_.step);
        for (long i = 0; i <= steps; ++i) {
            double const value = axis_.low + static_cast<double>(i) * axis_.step;
            put("<path d=\"M{:.1f} {:.1f}H{:.1f}\" stroke=\"#ddd\"/>", left, y(value), width - right);
            put("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"end\">{}</text>", left - 6.0, y(value) + 4.0,
                label(value, axis_.step));
        }
        for (auto const& tick : time_ticks(chart_.from, chart_.to, 9)) {
            put("<path d=\"M{:.1f} {:.1f}v4\" stroke=\"#222\"/>", x(tick.time), height - bottom);
            put("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"middle\">{}</text>", x(tick.time),
                height - bottom + 16.0, tick.label);
        }
        put("<path d=\"M{:.1f} {:.1f}H{:.1f}\" stroke=\"#222\"/>", left, height - bottom, width - right);
    }

    // There along the upper edges and back along the lower ones.
    void band() {
        if (chart_.band.size() < 2) {
            return;
        }
        std::string path;
        for (auto const& r : chart_.band) {
            fmt::format_to(std::back_inserter(path), "{}{:.1f} {:.1f}", path.empty() ? "M" : "L", x(r.time),
                           y(r.high));
        }
        for (auto r = chart_.band.rbegin(); r != chart_.band.rend(); ++r) {
            fmt::format_to(std::back_inserter(path), "L{:.1f} {:.1f}", x(r->time), y(r->low));
        }
        put("<path d=\"{}Z\" fill=\"#bcd3e6\" fill-opacity=\"0.7\"/>", path);
    }

    void fan() {
        if (chart_.fan.size() < 2) {
            return;
        }
        std::string low, high;
        for (auto const& r : chart_.fan) {
            char const* const step = low.empty() ? "M" : "L";
            fmt::format_to(std::back_inserter(low), "{}{:.1f} {:.1f}", step, x(r.time), y(r.low));
            fmt::format_to(std::back_inserter(high), "{}{:.1f} {:.1f}", step, x(r.time), y(r.high));
        }
        put("<path d=\"{}{}\" fill=\"none\" stroke=\"#555\" stroke-dasharray=\"3 3\"/>", low, high);
    }

    void levels() {
        for (auto const& l : chart_.levels) {
            put("<path d=\"M{:.1f} {:.1f}H{:.1f}\" stroke=\"{}\" stroke-width=\"{}\" "
                "stroke-dasharray=\"{}\"/>",
                left, y(l.value), width - right, l.limit ? "#a3301c" : "#555", l.limit ? 1.6 : 1.0,
                l.limit ? "9 4" : "2 3");
            put("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"end\" fill=\"{}\">{}</text>",
                width - right - 2.0, y(l.value) - 4.0, l.limit ? "#a3301c" : "#555", escaped_markup(l.name));
        }
    }

    void line() {
        std::string path;
        bool drawn = false;
        for (auto const& p : chart_.line) {
            if (!std::isfinite(p.value) || !within(p.time)) {
                drawn = false;
                continue;
            }
            fmt::format_to(std::back_inserter(path), "{}{:.1f} {:.1f}", drawn ? "L" : "M", x(p.time),
                           y(p.value));
            drawn = true;
        }
        if (!path.empty()) {
            put("<path d=\"{}\" fill=\"none\" stroke=\"#14466b\" stroke-width=\"1.6\" "
                "stroke-linecap=\"round\" "
                "stroke-linejoin=\"round\"/>",
                path);
        }
    }

    void dots() {
        for (auto const& p : chart_.poor_dots) {
            if (within(p.time)) {
                put("<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"2.2\" fill=\"none\" stroke=\"#999\"/>",
                    x(p.time), y(p.value));
            }
        }
        for (auto const& p : chart_.good_dots) {
            if (within(p.time)) {
                put("<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"2.2\" fill=\"#14466b\"/>", x(p.time),
                    y(p.value));
            }
        }
    }

    void events() {
        double free_from = left;
        for (auto const& e : chart_.events) {
            if (!within(e.time)) {
                continue;
            }
            put("<path d=\"M{:.1f} {:.1f}V{:.1f}\" stroke=\"#222\" "
                "stroke-width=\"1.2\"><title>{}</title></path>",
                x(e.time), top - 8.0, height - bottom, escaped_markup(e.name));
            double const wide = letter * static_cast<double>(e.name.size());
            double const at = std::min(x(e.time), width - right - wide);
            if (at >= free_from) {
                put("<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>", at, top - 12.0, escaped_markup(e.name));
                free_from = at + wide + letter;
            }
        }
    }

    Chart const& chart_;
    Axis axis_;
    std::string out_;
};

}  // namespace

std::string to_svg(Chart const& chart) {
    return Drawing{chart}.svg();
}

}  // namespace probekeeper::chart
