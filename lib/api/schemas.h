// The shapes of the documents, as JSON Schema 2020-12, by name. What document/ writes must fit; the contract
// test holds the two together.
#pragma once

#include <boost/json/object.hpp>

namespace probekeeper::api {

[[nodiscard]] boost::json::object const& schemas();

}  // namespace probekeeper::api
