// A request as a handler sees it: admitted, matched to its route, and taken apart.
#pragma once

#include <algorithm>
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "access/tokens.h"
#include "api/backend.h"
#include "api/problem.h"
#include "api/query.h"
#include "api/response.h"
#include "base/time.h"
#include "document/diagnosis.h"
#include "document/instrument.h"
#include "document/lessons.h"
#include "document/out_of_use.h"
#include "document/record.h"
#include "document/ticket.h"
#include "document/write.h"

namespace probekeeper::api {

// Who asks. Without a file of tokens everybody on this machine is "local" and may do everything.
struct Caller {
    std::string name = "local";
    access::Role role = access::Role::admin;
    std::vector<std::string> sites;  // empty: all
    std::string address{};           // where it asks from; behind a proxy, what that says
    [[nodiscard]] bool sees(std::string_view site) const {
        return sites.empty() || std::find(sites.begin(), sites.end(), site) != sites.end();
    }
};

// Of a request with an Idempotency-Key.
struct Once {
    std::string token, path, key, body_hash;
};

class Guard;
struct HttpMetrics;

struct Call {
    std::vector<std::string> ids;  // that stood in the path where the pattern has {...}
    Query query;
    boost::json::object body;    // of a POST that takes JSON
    std::string text;            // of any other POST: the body as it came
    std::filesystem::path file;  // of an upload: where the body lies
    Timestamp now{};             // by the server's clock
    bool is_command = false;     // a POST: what the backend calls invalid stood in the body
    std::optional<Once> once;
    Caller caller;
    Guard* guard = nullptr;             // the server's own, for links
    HttpMetrics const* http = nullptr;  // for /metrics
};

using Handler = Response (*)(Call const&, Backend&);

// Thrown where a command is in order, and to be done by another daemon.
struct Elsewhere {
    std::string site;  // see Refusal::Kind::elsewhere
};

// The backend's value, or its refusal as a Problem.
template <typename T>
T value_of(Call const& call, Answer<T> answer) {
    if (!answer) {
        if (answer.error().kind == Refusal::Kind::elsewhere) {
            throw Elsewhere{answer.error().field};
        }
        throw problem_of(answer.error(), /*of_body=*/call.is_command);
    }
    return std::move(answer).value();
}

// What a command's backend keeps of the answer; `to_document` makes the body out of what the command gave.
template <typename T, typename ToDocument>
Keep<T> keep(Call const& call, int status, ToDocument to_document) {
    return [once = call.once, status, to_document](T const& value) -> std::optional<KeptAnswer> {
        if (!once) {
            return std::nullopt;
        }
        return KeptAnswer{once->token,     once->path, once->key,
                          once->body_hash, status,     document::write(to_document(value))};
    };
}

// {"items": [...], "next": ...}; `to_document` makes a JSON object out of an item.
template <typename T, typename ToDocument>
Response list_response(Page<T> const& page, ToDocument to_document) {
    boost::json::array items;
    items.reserve(page.items.size());
    for (auto const& item : page.items) {
        items.emplace_back(to_document(item));
    }
    boost::json::object out;
    out["items"] = std::move(items);
    out["next"] = page.next ? boost::json::value(*page.next) : boost::json::value(nullptr);
    return json_response(out);
}
template <typename T>
Response list_response(Page<T> const& page) {
    return list_response(page, [](T const& item) { return document::to_json(item); });
}

}  // namespace probekeeper::api
