// A ticket as JSON: of the API, and a line of replay's tickets file.
#pragma once

#include <boost/json/object.hpp>
#include <optional>
#include <string_view>

#include "service/ticket.h"

namespace probekeeper::document {

[[nodiscard]] boost::json::object to_json(service::Ticket const& ticket);

// Such a document read again, but for the day that a reason's forecast names, which stands in none. Empty: it
// is no ticket.
[[nodiscard]] std::optional<service::Ticket> ticket_of(std::string_view text);

// A part as tickets and rounds write it. Throws where it is none.
[[nodiscard]] service::Part part_of(boost::json::object const& object);

}  // namespace probekeeper::document
