// What goes back, before it meets a socket.
#pragma once

#include <boost/json/value.hpp>
#include <string>
#include <utility>
#include <vector>

namespace probekeeper::api {

using Header = std::pair<std::string, std::string>;

struct Response {
    int status = 200;
    std::string content_type = "application/json";
    std::string body;  // 204 and 304 have none
    std::vector<Header> headers;
    bool finished = false;  // has what every response has, see Dispatcher::finish
};

[[nodiscard]] Response json_response(boost::json::value const& document, int status = 200);

}  // namespace probekeeper::api
