// Numbers at the edge: what was measured or computed goes out rounded, so that 92.1 is not told
// as 92.09999999.
#pragma once

#include <boost/json/value.hpp>
#include <optional>

#include "base/time.h"

namespace probekeeper::document {

// `value` to six significant digits: finer than any probe, and all that a float32 register really carries.
// Finite values only.
[[nodiscard]] double rounded(double value);

// Rounded; null where `value` is not finite (not read) or not there.
[[nodiscard]] boost::json::value number(double value);
[[nodiscard]] boost::json::value number(std::optional<double> const& value);
// As it is, for what a person wrote (a record, a latitude): it goes out as it came in. Null as above.
[[nodiscard]] boost::json::value exact_number(std::optional<double> const& value);

[[nodiscard]] boost::json::value time(Timestamp time);
[[nodiscard]] boost::json::value time(std::optional<Timestamp> const& time);

// Null for an empty text: absent and null mean the same, and so does empty.
[[nodiscard]] boost::json::value text_or_null(std::string_view text);

}  // namespace probekeeper::document
