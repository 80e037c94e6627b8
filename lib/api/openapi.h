// The description of the API, made out of the tables of routes, parameters, schemas and problem types.
#pragma once

#include <boost/json/object.hpp>
#include <string_view>
#include <vector>

#include "api/routes.h"

namespace probekeeper::api {

// OpenAPI 3.1. Throws std::logic_error where a table names what another one does not have.
[[nodiscard]] boost::json::object openapi(std::string_view version, bool of_hub);

// Every status that `route` may answer with, beside those of any request (408, 417, 421, 431, 500, 503, 505).
[[nodiscard]] std::vector<int> statuses_of(Route const& route);

}  // namespace probekeeper::api
