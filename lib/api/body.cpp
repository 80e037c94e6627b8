#include "api/body.h"

#include <spdlog/fmt/fmt.h>

#include <boost/json/stream_parser.hpp>
#include <boost/json/value.hpp>

#include "api/problem.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

Problem malformed(std::string what, std::size_t position) {
    return {ProblemType::malformed_json,
            fmt::format("{} at byte {} of the body", what, position),
            {{"position", position}},
            {}};
}

}  // namespace

json::object parse_body(std::string_view body, std::size_t depth) {
    json::parse_options options;
    options.max_depth = depth;
    json::stream_parser parser{{}, options};
    boost::system::error_code error;
    auto const read = parser.write_some(body.data(), body.size(), error);
    if (error == json::error::too_deep) {
        throw malformed(fmt::format("more than {} levels", depth), read);
    }
    if (error) {
        throw malformed(error.message(), read);
    }
    if (read < body.size()) {
        throw malformed("something follows the JSON value", read);
    }
    parser.finish(error);
    if (error) {
        throw malformed(body.empty() ? "nothing, where JSON must stand," : "the JSON value does not end",
                        read);
    }
    auto value = parser.release();
    if (!value.is_object()) {
        throw Problem{ProblemType::invalid_field, "the body must be a JSON object", {}, {}};
    }
    return std::move(value.as_object());
}

}  // namespace probekeeper::api
