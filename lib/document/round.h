// A week's round as JSON.
#pragma once

#include <boost/json/object.hpp>
#include <optional>
#include <string_view>

#include "rounds/round.h"

namespace probekeeper::document {

[[nodiscard]] boost::json::object to_json(rounds::Round const& round);

// Such a document read again. Empty: it is no round.
[[nodiscard]] std::optional<rounds::Round> round_of(std::string_view text);

}  // namespace probekeeper::document
