// The table of everything that is served. A line of it is all there is to know of an endpoint from outside:
// dispatch, 405, OPTIONS, HEAD, access, the check of content types and parameters, and /openapi.json come
// from it.
#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "access/tokens.h"
#include "api/call.h"

namespace probekeeper::api {

enum class Where : std::uint8_t {
    at_once,  // on the thread that serves the connections: one thing out of memory
    in_pool,  // may block, or make a long list
    events,   // no answer but a stream that lasts; the session serves it itself
    upload    // the body goes to a file as it comes; then as in_pool
};

// Pattern: {name} takes an id of a-z 0-9 - , {week} an ISO week such as 2026-W49; a suffix may follow
// ("{week}.ics"), {serial} takes any text. The names {site}, {probe} and {ticket} say what a token that is
// limited to sites must cover. Where a pattern has none of them, such a token passes only if the route takes
// a `site` parameter (which is then filled in, or asked for) or `limits_itself`.
struct Route {
    std::string_view method;  // GET (which answers HEAD too) or POST
    std::string_view pattern;
    Handler handler = nullptr;
    std::string_view summary;          // for people, in /openapi.json
    std::string_view answer = "";      // name of its schema in schemas.cpp; empty: not JSON
    std::string_view parameters = "";  // names of the query's, blanks between; described in parameters.cpp
    Where where = Where::in_pool;
    access::Role role = access::Role::read;
    std::string_view body = "";                   // of a POST: name of its schema; empty: not JSON
    std::string_view takes = "application/json";  // of a POST
    std::string_view gives = "application/json";
    int status = 200;                // where it went well
    std::string_view refuses = "";   // statuses beyond those that follow from the above: "404 409"
    bool limits_itself = false;      // the handler leaves out what call.caller may not see
    Listed lists = Listed::nothing;  // what may be given again, see AnswerCache
    bool of_hub = false;             // served by hubs alone
    // Of a body: the member that means now where it is left out. A hub writes it down, for the site may do
    // the work much later.
    std::string_view dated_by = "";
};

struct Match {
    Route const* route = nullptr;  // null: none has this path, or none with this method
    std::vector<std::string> ids;
    std::vector<std::string> allowed;  // methods of the path; empty: there is no such path
};

[[nodiscard]] std::span<Route const> all_routes();

// `method` HEAD matches GET. Routes `of_hub` are there for hubs alone.
[[nodiscard]] Match match(std::string_view method, std::vector<std::string> const& segments,
                          bool of_hub = false);

// Whether it changes what the daemon keeps: noted with who did it, and done once under an Idempotency-Key.
[[nodiscard]] bool is_change(Route const& route);

// Whether it is a change that a hub leaves to the site: it may then be answered 202, with where to ask what
// became of it.
[[nodiscard]] bool is_of_site(Route const& route);

// Whether it can be asked of one site by the parameter `site`.
[[nodiscard]] bool takes_site(Route const& route);

// The names in the braces of `pattern`, in order.
[[nodiscard]] std::vector<std::string_view> names_in(std::string_view pattern);

}  // namespace probekeeper::api
