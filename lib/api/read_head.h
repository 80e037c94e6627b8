// What counts of a request's header, taken out of what Beast has read.
#pragma once

#include <boost/beast/http/message.hpp>

#include "api/head.h"

namespace probekeeper::api {

// All but the client's address.
[[nodiscard]] Head head_of(boost::beast::http::request_header<> const& request);

}  // namespace probekeeper::api
