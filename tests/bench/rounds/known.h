// The best plans known of the weeks from a seed, kept as data so that anybody can have them judged again.
#pragma once

#include <optional>
#include <string>

#include "rounds/plan.h"

namespace probekeeper::rounds {

// In the source folder, beside this file.
[[nodiscard]] std::string known_file(std::uint64_t seed);

// A line by shift, in the order of the week: the visits in order, commas between; lines with # are remarks.
// Empty: there is no such file. Throws where it is of another week or breaks a rule.
[[nodiscard]] std::optional<Plan> read_known(std::string const& file, Week const& week);

// Replaces the file as a whole.
void write_known(std::string const& file, Plan const& plan, std::string const& remark);

}  // namespace probekeeper::rounds
