// What counts of a request's header.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace probekeeper::api {

struct Head {
    std::string method, target;
    std::string address;             // of the client's end of the connection
    std::vector<std::string> hosts;  // as many as came
    bool may_omit_host = false;      // HTTP/1.0
    std::optional<std::string> origin, content_type, content_encoding, if_none_match, idempotency_key;
    std::optional<std::string> authorization, accept_encoding, last_event_id, forwarded_for;
    bool asks_cors = false;  // has Access-Control-Request-Method
};

}  // namespace probekeeper::api
