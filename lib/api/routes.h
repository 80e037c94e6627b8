// Which handler answers which path.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "api/call.h"

namespace probekeeper::api {

enum class Where : std::uint8_t {
    at_once,  // on the thread that serves the connections: one thing out of memory
    in_pool   // may block, or make a long list
};

struct Route {
    std::string_view method;   // GET (which answers HEAD too) or POST
    std::string_view pattern;  // {...} takes an id
    Handler handler = nullptr;
    Where where = Where::in_pool;
    std::string_view parameters;  // names of the query's, blanks between them
};

struct Match {
    Route const* route = nullptr;  // null: none has this path, or none with this method
    std::vector<std::string> ids;
    std::vector<std::string> allowed;  // methods of the path; empty: there is no such path
};

// `method` HEAD matches GET.
[[nodiscard]] Match match(std::string_view method, std::vector<std::string> const& segments);

}  // namespace probekeeper::api
