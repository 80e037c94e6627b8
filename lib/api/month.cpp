// A month at a site, as JSON and as a page.
#include <spdlog/fmt/fmt.h>

#include "api/handlers.h"
#include "base/date.h"
#include "document/month_report.h"
#include "paper/month.h"

namespace probekeeper::api {
namespace {

std::optional<std::chrono::year_month> month_of(Call const& call) {
    auto const text = call.query.text("month");
    if (!text) {
        return std::nullopt;
    }
    auto const first = parse_date(*text + "-01");
    if (!first) {
        throw bad_parameter(
            "month", fmt::format("month is {}; it must be a month such as 2026-03", document::shown(*text)));
    }
    return std::chrono::year_month{first->year(), first->month()};
}

SiteMonth ask(Call const& call, Backend& backend) {
    return value_of(call, backend.site_month(call.ids[0], month_of(call)));
}

}  // namespace

Response show_month(Call const& call, Backend& backend) {
    auto const month = ask(call, backend);
    return json_response(document::to_json(
        month.report, {month.month, month.facts.site_name, month.facts.time_zone, month.facts.made_at}));
}

Response print_month(Call const& call, Backend& backend) {
    auto const month = ask(call, backend);
    Response response;
    response.content_type = "text/html; charset=utf-8";
    response.body = paper::to_html(month.report, month.facts);
    // Its style stands in it; it loads nothing and runs nothing.
    response.headers.emplace_back("Content-Security-Policy",
                                  "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'");
    return response;
}

}  // namespace probekeeper::api
