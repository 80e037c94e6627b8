// Why a feed leaves its connection, beside what the database itself says; and what its parts share. Private
// to this room.
#pragma once

#include <algorithm>
#include <stdexcept>
#include <string>
#include <vector>

namespace probekeeper::hub {

// The hub's row of this daemon, or the ownership of a site, is not what it was: synchronise again.
struct Superseded : std::runtime_error {
    using std::runtime_error::runtime_error;
};
// The daemon stops, its store fails, or it cannot say just now.
struct Postponed : std::runtime_error {
    using std::runtime_error::runtime_error;
};

// Of ids in order.
[[nodiscard]] inline bool holds(std::vector<std::string> const& sites, std::string const& site) {
    return std::binary_search(sites.begin(), sites.end(), site);
}

}  // namespace probekeeper::hub
