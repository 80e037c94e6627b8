// A site as JSON, with counts of its probes by condition.
#pragma once

#include <array>
#include <boost/json/object.hpp>
#include <cstddef>
#include <optional>
#include <string_view>

#include "diagnosis/verdict.h"
#include "fleet/fleet.h"

namespace probekeeper::document {

inline constexpr std::size_t condition_count = 6;

struct Site {
    fleet::Site facts;
    std::array<std::size_t, condition_count> probes{};  // by diagnosis::Condition

    void count(diagnosis::Condition c) { ++probes[static_cast<std::size_t>(c)]; }
};

// "probes" is how many there are, "conditions" has a count for each condition, zeros too. Access notes stay
// out: they are for round sheets, and may tell where a key lies.
[[nodiscard]] boost::json::object to_json(Site const& site);

// What such a document says of the site itself; the counts are not read. Empty: it is no site.
[[nodiscard]] std::optional<fleet::Site> site_facts_of(std::string_view text);

}  // namespace probekeeper::document
