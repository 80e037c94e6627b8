#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace probekeeper::fleet {

// What is wrong with `name` as an IANA time zone, judged by the zone files of this machine; empty where it is
// one, and where the machine has no zone files to judge by.
[[nodiscard]] std::optional<std::string> time_zone_problem(std::string_view name);

}  // namespace probekeeper::fleet
