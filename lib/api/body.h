// A request's JSON body.
#pragma once

#include <boost/json/object.hpp>
#include <string_view>

namespace probekeeper::api {

// Throws Problem: malformed_json with the position, or invalid_field where it is JSON but no object.
[[nodiscard]] boost::json::object parse_body(std::string_view body, std::size_t depth);

}  // namespace probekeeper::api
