// A month at a site as JSON.
#pragma once

#include <boost/json/object.hpp>
#include <chrono>
#include <string>

#include "service/month_report.h"

namespace probekeeper::document {

struct MonthNames {
    std::chrono::year_month month{};
    std::string site_name, time_zone;
    Timestamp made_at{};
};

// Shares of time are parts of 1. "judged": the part in which something could be said.
[[nodiscard]] boost::json::object to_json(service::MonthReport const& report, MonthNames const& names);

}  // namespace probekeeper::document
