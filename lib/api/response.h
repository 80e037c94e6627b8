// What goes back, before it meets a socket.
#pragma once

#include <boost/json/value.hpp>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace probekeeper::api {

using Header = std::pair<std::string, std::string>;

struct Response {
    int status = 200;
    std::string content_type = "application/json";
    std::string body;  // 204 and 304 have none
    std::vector<Header> headers;
    std::shared_ptr<std::string const>
        kept_body{};        // in place of `body`, of an answer that is given more than once
    bool finished = false;  // has what every response has, see Dispatcher::finish
    [[nodiscard]] std::string_view bytes() const { return kept_body ? *kept_body : body; }
};

[[nodiscard]] Response json_response(boost::json::value const& document, int status = 200);

}  // namespace probekeeper::api
