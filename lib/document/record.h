// A service record as JSON, both ways.
#pragma once

#include <boost/json/object.hpp>
#include <boost/system/result.hpp>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "document/fields.h"
#include "service/record.h"

namespace probekeeper::document {

// The columns of the CSV as fields, absent ones null, numbers as they were given; "record" is the number by
// which the record is named, "voided" null or {"at", "why", "by"}.
[[nodiscard]] boost::json::object to_json(service::KeptRecord const& record);

// Such a document read again; of numbers beyond fifteen digits, which no instrument shows, the last may
// differ. Empty: it is no record.
[[nodiscard]] std::optional<service::KeptRecord> record_of(std::string_view text);

using FieldErrors = std::vector<FieldError>;
template <typename T>
using Parsed = boost::system::result<T, FieldErrors>;
[[noreturn]] inline void throw_exception_from_error(FieldErrors const& errors,
                                                    boost::source_location const&) {
    throw std::runtime_error{errors.empty() ? "no value"
                                            : errors.front().field + " " + errors.front().message};
}

// A record of `probe` out of a request's body: `kind`, optional `time` (default `now`) and the other columns
// of the CSV, within what an instrument can show. `probe` may stand in the body if it names the same probe.
// Errors are never empty.
[[nodiscard]] Parsed<service::Record> parse_record(boost::json::object const& body, std::string const& probe,
                                                   Timestamp now);

}  // namespace probekeeper::document
