// Diagnosis and response tests as JSON.
#pragma once

#include <boost/json/object.hpp>
#include <optional>
#include <string_view>

#include "diagnosis/verdict.h"

namespace probekeeper::document {

// A quantity that is not known is null, with "<name>_unknown": why beside it. Findings are not in it: they
// are the reasons of the probe's ticket.
[[nodiscard]] boost::json::object to_json(diagnosis::Diagnosis const& diagnosis, std::string_view probe_id);
// Its member of the diagnosis: what the position's readings can and cannot tell. Not yet learned is null.
inline constexpr std::string_view suitability_member = "suitability";
[[nodiscard]] boost::json::object to_json(diagnosis::Suitability const& suitability);
[[nodiscard]] boost::json::object to_json(diagnosis::ResponseTest const& test);

// A response test's document read again. Empty: it is none.
[[nodiscard]] std::optional<diagnosis::ResponseTest> response_test_of(std::string_view text);

// The forecast in such a document of a diagnosis; empty where there is none.
[[nodiscard]] std::optional<diagnosis::Forecast> forecast_in(std::string_view diagnosis);

// "M", "S", "C", "F" or null.
[[nodiscard]] boost::json::value ne107(diagnosis::Condition condition);

}  // namespace probekeeper::document
