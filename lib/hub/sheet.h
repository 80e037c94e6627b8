// A filled-in round sheet of several sites: taken apart by site, and the sites' answers put together. Pure.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "api/backend.h"

namespace probekeeper::hub {

// The rows of one site. `csv` is the whole sheet with the others' rows left blank, so that each row keeps its
// line.
struct SheetPart {
    std::string site, csv;
};

// By site. `site_of` gives the site of a probe that the caller may see; rows of other probes, and rows that
// are no CSV, go with those of the first site, whose daemon says what is wrong with them. Empty: no row is of
// a site. Refused as the API describes it for a sheet.
[[nodiscard]] api::Answer<std::vector<SheetPart>> split_sheet(
    std::string const& csv,
    std::function<std::optional<std::string>(std::string const& probe)> const& site_of);

// The probes that the sheet names, each once.
[[nodiscard]] std::vector<std::string> probes_in_sheet(std::string const& csv);

// What the sites answered, as one answer. Where one of them refused all of its part, each of its rows is
// refused with what it said; where all did alike, that is the answer.
struct AnsweredPart {
    std::string csv;
    api::StepReport::Outcome outcome;
};
[[nodiscard]] api::StepReport::Outcome join_sheet(std::vector<AnsweredPart> const& parts);

// Of a sheet without a row of any site.
[[nodiscard]] api::StepReport::Outcome all_refused(std::string const& csv, Timestamp at);

}  // namespace probekeeper::hub
