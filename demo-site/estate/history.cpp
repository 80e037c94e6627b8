#include "estate/history.h"

#include <spdlog/fmt/fmt.h>

#include <stdexcept>

namespace probekeeper::estate {

HistorySpan history_span(std::string const& until, double days) {
    auto const end = parse_rfc3339(until);
    if (!end) {
        throw std::invalid_argument{
            fmt::format("--until '{}' is no time; right would be 2026-03-01T06:00:00Z", until)};
    }
    if (!(days >= 0.01 && days <= 400.0)) {
        throw std::invalid_argument{fmt::format("--days {} is outside 0.01 to 400", days)};
    }
    return {*end - probekeeper::days(days), *end};
}

}  // namespace probekeeper::estate
