// The customer's month as a page that prints.
#pragma once

#include <string>

#include "service/month_report.h"
#include "zone/zone.h"

namespace probekeeper::paper {

struct MonthFacts {
    std::string site_name, address, time_zone;  // as configured
    Timestamp until{};                          // of the whole month
    Timestamp made_at{};
    zone::Zone zone = zone::Zone::utc();  // of days and hours on the page
};

// HTML 5 that prints on A4 and keeps its meaning in black and white. No script and nothing loaded from
// elsewhere; its style stands inside. Texts that users wrote are escaped.
[[nodiscard]] std::string to_html(service::MonthReport const& report, MonthFacts const& facts);

}  // namespace probekeeper::paper
