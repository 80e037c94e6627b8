// Text for HTML and for XML.
#pragma once

#include <string>
#include <string_view>

namespace probekeeper {

// `text` as it may stand between tags and in quoted attributes of both: their signs escaped, without the
// control characters that XML 1.0 forbids (section 2.2). Malformed UTF-8 becomes U+FFFD, so that no byte of a
// device or a file can break a page.
[[nodiscard]] std::string escaped_markup(std::string_view text);

}  // namespace probekeeper
