// JSON text out of a JSON value, for people and programs alike.
#pragma once

#include <boost/json/value.hpp>
#include <string>
#include <string_view>

namespace probekeeper::document {

// Unlike boost::json::serialize it writes 92.1 and not 9.21E1 (shortest digits that give the same double; a
// whole double keeps its ".0", so that a field is of one type for readers that tell integers from reals).
// Whatever is not UTF-8 in a string becomes U+FFFD: texts of CSV files and devices cannot break a document. A
// double that is not finite is written as null.
[[nodiscard]] std::string write(boost::json::value const& value);

// `text` with every malformed UTF-8 sequence replaced by U+FFFD.
[[nodiscard]] std::string as_utf8(std::string_view text);

}  // namespace probekeeper::document
