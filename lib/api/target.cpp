#include "api/target.h"

#include <boost/url/parse.hpp>
#include <boost/url/url_view.hpp>

namespace probekeeper::api {
namespace {

namespace urls = boost::urls;

// pct_string_view checks its escapes when made, so decoding cannot fail here.
std::string decoded(urls::pct_string_view text) {
    return text.decode();
}

}  // namespace

std::optional<Target> parse_target(std::string_view text) {
    bool const is_path = text.substr(0, 1) == "/";
    auto const parsed = is_path ? urls::parse_origin_form(text) : urls::parse_absolute_uri(text);
    if (!parsed || (!is_path && !parsed->has_authority())) {
        return std::nullopt;
    }
    Target target;
    if (!is_path) {
        if (parsed->scheme() != "http" && parsed->scheme() != "https") {
            return std::nullopt;
        }
        target.host = std::string{parsed->encoded_host_and_port()};
    }
    for (auto const segment : parsed->encoded_segments()) {
        target.segments.push_back(decoded(segment));
    }
    for (auto const parameter : parsed->encoded_params()) {
        target.parameters.emplace_back(decoded(parameter.key), decoded(parameter.value));
    }
    return target;
}

}  // namespace probekeeper::api
