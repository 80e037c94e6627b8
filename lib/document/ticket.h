// A ticket as JSON: of the API, and a line of replay's tickets file.
#pragma once

#include <boost/json/object.hpp>

#include "service/ticket.h"

namespace probekeeper::document {

[[nodiscard]] boost::json::object to_json(service::Ticket const& ticket);

}  // namespace probekeeper::document
