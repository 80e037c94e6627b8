// What service has taught, page by page as the API gives it, out of what is known of all sites. Pure.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "api/backend.h"
#include "live/lessons.h"

namespace probekeeper::live {

// Where there is no such site.
[[nodiscard]] std::optional<api::Refusal> refuse_unknown_site(std::optional<std::string> const& site,
                                                              fleet::Fleet const& fleet);

// Of `site`, or of `probe` and its whole site.
[[nodiscard]] api::Answer<api::Page<service::OutOfUse>> out_of_use_page(
    std::vector<service::OutOfUse> told, std::string const& site, std::optional<std::string> const& probe,
    api::PageRequest const& page);

[[nodiscard]] api::Answer<api::Page<service::ReasonTally>> findings_page(
    fleet::Fleet const& fleet, History const& past, std::optional<std::string> const& site,
    api::PageRequest const& page);

// Of the sites `only`, where it is not empty.
[[nodiscard]] api::Answer<api::Page<document::Instrument>> instruments_page(
    History const& past, std::vector<std::string> const& only, api::PageRequest const& page);

// `responses` gives those of a stay that is not in the workshop.
using Responses =
    std::function<api::Answer<std::vector<document::ResponseDay>>(document::InstrumentStay const& stay)>;
[[nodiscard]] api::Answer<document::Instrument> instrument_of(fleet::Fleet const& fleet, History const& past,
                                                              std::string const& serial,
                                                              std::vector<std::string> const& only,
                                                              Timestamp now, Responses const& responses);
// The response tests of a stay, by time, as what is told of each day.
[[nodiscard]] std::vector<document::ResponseDay> response_days(
    document::InstrumentStay const& stay, std::vector<diagnosis::ResponseTest> const& tests);

[[nodiscard]] api::Answer<api::Page<service::MembraneLife>> membranes_page(fleet::Fleet const& fleet,
                                                                           History const& past,
                                                                           std::string const& probe,
                                                                           Timestamp now,
                                                                           api::PageRequest const& page);

[[nodiscard]] api::Answer<api::Page<service::LifeStatistics>> statistics_page(
    fleet::Fleet const& fleet, History const& past, std::optional<std::string> const& site, Timestamp now,
    api::PageRequest const& page);

}  // namespace probekeeper::live
