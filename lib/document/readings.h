// Readings as JSON: one, many in columns, and summaries of steps.
#pragma once

#include <array>
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/reading.h"

namespace probekeeper::document {

// "cleaning", "aeration", "hold", "fault", "service", "out_of_range", in this order.
[[nodiscard]] boost::json::array flags(std::uint16_t marks);

// As "last_reading" of a probe.
[[nodiscard]] boost::json::object to_json(Reading const& reading);
// Such an object read again, as far as it tells. Throws where it is none.
[[nodiscard]] Reading reading_of(boost::json::object const& object);

// Arrays of equal length `time`, `do_mg_l`, `do_percent`, `temperature_c`, `flags` (a list for each reading),
// and `next`: where to ask on as `after`, null at the end.
[[nodiscard]] boost::json::object to_json(std::vector<Reading> const& readings,
                                          std::optional<std::string> const& next);

// Of the values within a step; not_read where there is none.
struct Spread {
    double min = not_read, mean = not_read, max = not_read;
};
struct Step {
    Timestamp start{};
    std::int64_t count = 0;  // of readings
    Spread do_mg_l, do_percent, temperature_c;
};

// Arrays `time` (start of step), `count`, and `_min`, `_mean`, `_max` of each quantity, and `next` as above.
[[nodiscard]] boost::json::object to_json(std::vector<Step> const& steps,
                                          std::optional<std::string> const& next);

}  // namespace probekeeper::document
