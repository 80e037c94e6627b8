// gzip for bodies that get smaller by it.
#pragma once

#include "api/head.h"
#include "api/response.h"

namespace probekeeper::api {

// Compresses the body where the client takes gzip (RFC 9110 section 12.5.3) and it pays: text of 1400 bytes
// or more, which is about what one packet holds. False: all is as it was.
bool pack(Response& response, Head const& head);

// Whether an Accept-Encoding value takes gzip.
[[nodiscard]] bool takes_gzip(std::string_view accept_encoding);

}  // namespace probekeeper::api
