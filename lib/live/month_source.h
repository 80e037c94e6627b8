// What a month's report is made of, whoever keeps it. Pure.
#pragma once

#include <chrono>
#include <optional>
#include <vector>

#include "api/backend.h"
#include "fleet/fleet.h"
#include "service/month_report.h"

namespace probekeeper::live {

// The month that is asked for at a site, by its own calendar; see api::Backend::site_month.
struct MonthAsked {
    std::chrono::year_month month{};
    service::ReportSource source;  // its site and times
    paper::MonthFacts facts;
};
[[nodiscard]] api::Answer<MonthAsked> month_asked(fleet::Site const& site,
                                                  std::optional<std::chrono::year_month> wanted,
                                                  Timestamp now);

// What was diagnosed so long before the month must be asked for too: it says what held at its beginning.
inline constexpr std::chrono::hours diagnosed_before{50};

struct Gap {
    Timestamp from{}, until{};
};
// `told`: the diagnoses from `diagnosed_before` the month on, by time. In `gaps` the daemon did not run.
[[nodiscard]] std::vector<service::ConditionChange> conditions_of(
    std::vector<service::ConditionChange> told, std::optional<service::ConditionChange> const& newest,
    std::vector<Gap> gaps, service::ReportSource const& source);

}  // namespace probekeeper::live
