// Being out of use, both ways.
#pragma once

#include <boost/json/object.hpp>

#include "document/record.h"
#include "service/out_of_use.h"

namespace probekeeper::document {

// "probe" is null where the whole site is meant, "until" where no end is known.
[[nodiscard]] boost::json::object to_json(service::OutOfUse const& told);

// Such a document read again. Empty: it is none.
[[nodiscard]] std::optional<service::OutOfUse> out_of_use_of(std::string_view text);

// Of a request's body: `why`, optional `from` (default `now`), `until` (default: until somebody ends it) and
// `by` (default `caller`). Site and probe are the caller's to fill in.
[[nodiscard]] Parsed<service::OutOfUse> parse_out_of_use(boost::json::object const& body, Timestamp now,
                                                         std::string const& caller);

// The end of it: optional `until` (default `now`) and `by` (default `caller`); the rest is empty.
[[nodiscard]] Parsed<service::OutOfUse> parse_back_in_use(boost::json::object const& body, Timestamp now,
                                                          std::string const& caller);

}  // namespace probekeeper::document
