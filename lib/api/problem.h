// Errors as RFC 9457 application/problem+json. The list of types is fixed; clients may rely on it.
#pragma once

#include <boost/json/object.hpp>
#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "api/backend.h"
#include "api/response.h"
#include "document/fields.h"

namespace probekeeper::api {

//   type                              status
enum class ProblemType : std::uint8_t {
    malformed_request,     // 400  /problems/malformed-request
    bad_parameter,         // 400  /problems/bad-parameter; `field` names it
    malformed_json,        // 400  /problems/malformed-json; `position` in bytes
    unauthenticated,       // 401  /problems/unauthenticated, with a WWW-Authenticate header
    origin_refused,        // 403  /problems/origin-refused
    forbidden,             // 403  /problems/forbidden
    not_found,             // 404  /problems/not-found
    method_not_allowed,    // 405  /problems/method-not-allowed, with an Allow header
    timeout,               // 408  /problems/timeout
    conflict,              // 409  /problems/conflict; `steps` that fit
    body_too_large,        // 413  /problems/body-too-large
    wrong_content_type,    // 415  /problems/wrong-content-type
    expectation_failed,    // 417  /problems/expectation-failed
    wrong_host,            // 421  /problems/wrong-host
    invalid_field,         // 422  /problems/invalid-field; `field`, and `errors` where there are several
    key_reused,            // 422  /problems/key-reused
    too_many_requests,     // 429  /problems/too-many-requests, with a Retry-After header
    header_too_large,      // 431  /problems/header-too-large
    internal,              // 500  /problems/internal
    unavailable,           // 503  /problems/unavailable
    version_not_supported  // 505  /problems/version-not-supported
};

// Thrown by whatever cannot go on with a request; dispatch turns it into the response. `extra` are members
// beside type, title, status and detail.
struct Problem {
    ProblemType type = ProblemType::internal;
    std::string detail;  // a sentence: what, where, what would be right
    boost::json::object extra;
    std::vector<Header> headers;
};

[[nodiscard]] Problem bad_parameter(std::string_view name, std::string detail);
[[nodiscard]] Problem invalid_fields(std::vector<document::FieldError> const& errors);
// Of a GET (`of_body` false) an invalid value stood in a parameter.
[[nodiscard]] Problem problem_of(Refusal const& refusal, bool of_body);

[[nodiscard]] Response to_response(Problem const& problem);

// What some type of that status is called; for descriptions.
[[nodiscard]] std::string_view title_of_status(int status);

}  // namespace probekeeper::api
