#include "api/problem.h"

#include <array>
#include <boost/json/array.hpp>

#include "api/handlers.h"

#include "document/write.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

struct Kind {
    int status;
    std::string_view type, title;
};
// In the order of ProblemType.
constexpr std::array<Kind, 21> kinds{{
    {400, "/problems/malformed-request", "The request is not well-formed HTTP"},
    {400, "/problems/bad-parameter", "A parameter is wrong"},
    {400, "/problems/malformed-json", "The body is not JSON"},
    {401, "/problems/unauthenticated", "A token is needed"},
    {403, "/problems/origin-refused", "Pages of this origin may not do this"},
    {403, "/problems/forbidden", "This token may not do this"},
    {404, "/problems/not-found", "There is no such thing"},
    {405, "/problems/method-not-allowed", "The method does not fit the path"},
    {408, "/problems/timeout", "The request took too long to arrive"},
    {409, "/problems/conflict", "This does not fit the present state"},
    {413, "/problems/body-too-large", "The body is too large"},
    {415, "/problems/wrong-content-type", "The body is of the wrong type"},
    {417, "/problems/expectation-failed", "The expectation cannot be met"},
    {421, "/problems/wrong-host", "The Host header names another server"},
    {422, "/problems/invalid-field", "A field is wrong"},
    {422, "/problems/key-reused", "The idempotency key belongs to another request"},
    {429, "/problems/too-many-requests", "Too many requests"},
    {431, "/problems/header-too-large", "The header is too large"},
    {500, "/problems/internal", "The daemon failed"},
    {503, "/problems/unavailable", "Not now"},
    {505, "/problems/version-not-supported", "Not HTTP/1.1"},
}};
static_assert(static_cast<std::size_t>(ProblemType::version_not_supported) + 1 == kinds.size());

json::object written(document::FieldError const& error) {
    return {{"field", error.field}, {"message", error.message}};
}

json::object written(Kind const& kind) {
    return {{"type", kind.type}, {"status", kind.status}, {"title", kind.title}};
}

}  // namespace

std::string_view title_of_status(int status) {
    for (auto const& kind : kinds) {
        if (kind.status == status) {
            return kind.title;
        }
    }
    return "";
}

Response list_problem_types(Call const&, Backend&) {
    json::array items;
    for (auto const& kind : kinds) {
        items.push_back(written(kind));
    }
    return json_response(json::object{{"items", std::move(items)}, {"next", nullptr}});
}

Response show_problem_type(Call const& call, Backend&) {
    for (auto const& kind : kinds) {
        if (kind.type == "/problems/" + call.ids[0]) {
            return json_response(written(kind));
        }
    }
    throw Problem{ProblemType::not_found, "there is no type of problem " + call.ids[0], {}, {}};
}

Problem bad_parameter(std::string_view name, std::string detail) {
    // A name may be as long as the header allows: what goes back stays short.
    return {ProblemType::bad_parameter,
            std::move(detail),
            {{"field", document::as_utf8(name.substr(0, 60))}},
            {}};
}

Problem invalid_fields(std::vector<document::FieldError> const& errors) {
    auto const& first = errors.front();
    json::array all;
    for (auto const& error : errors) {
        all.push_back(written(error));
    }
    return {ProblemType::invalid_field,
            "field " + first.field + " " + first.message,
            {{"field", first.field}, {"errors", std::move(all)}},
            {}};
}

Problem problem_of(Refusal const& refusal, bool of_body) {
    switch (refusal.kind) {
        case Refusal::Kind::not_found:
            return {ProblemType::not_found, refusal.message, {}, {}};
        case Refusal::Kind::conflict: {
            json::array const steps(refusal.fitting.begin(), refusal.fitting.end());
            return {ProblemType::conflict, refusal.message, {{"steps", steps}}, {}};
        }
        case Refusal::Kind::forbidden:
            return {ProblemType::forbidden, refusal.message, {}, {}};
        case Refusal::Kind::invalid:
            return {of_body ? ProblemType::invalid_field : ProblemType::bad_parameter,
                    refusal.message,
                    {{"field", refusal.field}},
                    {}};
        case Refusal::Kind::unavailable:
            return {ProblemType::unavailable, refusal.message, {}, {{"Retry-After", "5"}}};
        case Refusal::Kind::elsewhere:
            break;  // a question is never answered so, and a command is taken further: value_of()
    }
    return {};
}

Response json_response(json::value const& document, int status) {
    return {status, "application/json", document::write(document), {}};
}

Response to_response(Problem const& problem) {
    auto const& kind = kinds[static_cast<std::size_t>(problem.type)];
    json::object body{
        {"type", kind.type}, {"title", kind.title}, {"status", kind.status}, {"detail", problem.detail}};
    for (auto const& member : problem.extra) {
        body.insert_or_assign(member.key(), member.value());
    }
    return {kind.status, "application/problem+json", document::write(body), problem.headers};
}

}  // namespace probekeeper::api
