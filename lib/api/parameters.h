// What each query parameter means, whichever endpoint takes it.
#pragma once

#include <boost/json/object.hpp>
#include <string_view>

namespace probekeeper::api {

// An OpenAPI parameter object; `name` must be described in parameters.cpp.
[[nodiscard]] boost::json::object describe_parameter(std::string_view name);

}  // namespace probekeeper::api
