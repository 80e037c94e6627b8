#include "document/small_chart.h"

#include "chart/chart.h"

namespace probekeeper::document {

std::string small_chart(std::span<diagnosis::ResponseTest const> tests, Timestamp now) {
    chart::Chart chart;
    chart.title = "T90 at 20 °C";
    chart.unit = "s";
    chart.from = now - days(small_chart_days);
    chart.to = now;
    for (auto const& test : tests) {
        (test.used ? chart.good_dots : chart.poor_dots).push_back({test.time, test.t90_20_s});
    }
    return chart.good_dots.empty() ? std::string{} : chart::to_svg(chart);
}

}  // namespace probekeeper::document
