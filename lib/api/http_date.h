// The Date header.
#pragma once

#include <string>

#include "base/time.h"

namespace probekeeper::api {

// "Sun, 06 Nov 1994 08:49:37 GMT" (IMF-fixdate, RFC 9110 section 5.6.7).
[[nodiscard]] std::string http_date(Timestamp t);

}  // namespace probekeeper::api
