// A request as a handler sees it: admitted, matched to its route, and taken apart.
#pragma once

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "api/backend.h"
#include "api/problem.h"
#include "api/query.h"
#include "api/response.h"
#include "base/time.h"
#include "document/diagnosis.h"
#include "document/record.h"
#include "document/ticket.h"
#include "document/write.h"

namespace probekeeper::api {

// Of a request with an Idempotency-Key.
struct Once {
    std::string path, key, body_hash;
};

struct Call {
    std::vector<std::string> ids;  // that stood in the path where the pattern has {...}
    Query query;
    boost::json::object body;  // of a POST
    Timestamp now{};           // by the server's clock
    bool is_command = false;   // a POST: what the backend calls invalid stood in the body
    std::optional<Once> once;
};

using Handler = Response (*)(Call const&, Backend&);

// The backend's value, or its refusal as a Problem.
template <typename T>
T value_of(Call const& call, Answer<T> answer) {
    if (!answer) {
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
        return KeptAnswer{once->path, once->key, once->body_hash, status,
                          document::write(to_document(value))};
    };
}

// {"items": [...], "next": ...}
template <typename T>
Response list_response(Page<T> const& page) {
    boost::json::array items;
    items.reserve(page.items.size());
    for (auto const& item : page.items) {
        items.emplace_back(document::to_json(item));
    }
    boost::json::object out;
    out["items"] = std::move(items);
    out["next"] = page.next ? boost::json::value(*page.next) : boost::json::value(nullptr);
    return json_response(out);
}

}  // namespace probekeeper::api
