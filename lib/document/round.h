// A week's round as JSON.
#pragma once

#include <boost/json/object.hpp>

#include "rounds/round.h"

namespace probekeeper::document {

[[nodiscard]] boost::json::object to_json(rounds::Round const& round);

}  // namespace probekeeper::document
