#include "api/openapi.h"

#include <algorithm>
#include <boost/json/array.hpp>
#include <set>
#include <stdexcept>
#include <string>

#include "api/handlers.h"
#include "api/parameters.h"
#include "api/schemas.h"
#include "base/text.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

constexpr std::string_view problem_media = "application/problem+json";

std::vector<std::string_view> words_of(std::string_view text) {
    std::vector<std::string_view> out;
    while (!text.empty()) {
        auto const end = std::min(text.find(' '), text.size());
        if (end > 0) {
            out.push_back(text.substr(0, end));
        }
        text.remove_prefix(std::min(end + 1, text.size()));
    }
    return out;
}

json::object reference(std::string_view schema) {
    if (!schemas().contains(schema)) {
        throw std::logic_error{"schema " + std::string{schema} + " is not in schemas.cpp"};
    }
    return {{"$ref", "#/components/schemas/" + std::string{schema}}};
}

json::object content(std::string_view media, json::object schema) {
    return {{media, json::object{{"schema", std::move(schema)}}}};
}

json::object schema_of(std::string_view name) {
    return name.empty() ? json::object{{"type", "string"}} : reference(name);
}

json::object answers_of(Route const& route, bool of_hub) {
    json::object answers;
    for (int const status : statuses_of(route)) {
        auto& answer = answers[std::to_string(status)].emplace_object();
        if (status == route.status) {
            answer["description"] = "As asked";
            answer["content"] = content(route.gives, schema_of(route.answer));
        } else if (status == 304) {
            answer["description"] = "What the client has already still holds";
        } else {
            answer["description"] = title_of_status(status);
            answer["content"] = content(problem_media, reference("Problem"));
        }
    }
    if (of_hub && is_of_site(route)) {
        answers["202"] =
            json::object{{"description", "The site has not answered yet; Location says where to ask"},
                         {"content", content(route.gives, reference("Step"))}};
    }
    answers["default"] =
        json::object{{"description", "What any request may meet: 408, 417, 421, 431, 500, 503, 505"},
                     {"content", content(problem_media, reference("Problem"))}};
    return answers;
}

json::array parameters_of(Route const& route) {
    json::array out;
    for (auto const name : names_in(route.pattern)) {
        auto const* const shape = name == "week"     ? "^[0-9]{4}-W[0-9]{2}$"
                                  : name == "serial" ? "^.{1,200}$"
                                                     : "^[a-z0-9-]+$";
        out.push_back(json::object{{"name", name},
                                   {"in", "path"},
                                   {"required", true},
                                   {"schema", json::object{{"type", "string"}, {"pattern", shape}}}});
    }
    for (auto const name : words_of(route.parameters)) {
        out.push_back(describe_parameter(name));
    }
    if (is_change(route)) {
        out.push_back(
            json::object{{"name", "Idempotency-Key"},
                         {"in", "header"},
                         {"required", false},
                         {"description", "The same request under the same key is done once in 7 days"},
                         {"schema", json::object{{"type", "string"}, {"maxLength", 255}}}});
    }
    return out;
}

// "list_v1_probes_probe_readings" and the like: one name an operation, for generators of clients.
std::string operation_id(Route const& route) {
    std::string out{route.method == "GET" ? "get" : "post"};
    bool word_begins = true;
    for (char const c : route.pattern) {
        bool const letter = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
        if (letter && word_begins) {
            out += '_';
        }
        word_begins = !letter;
        if (letter) {
            out += c;
        }
    }
    return out;
}

json::object operation_of(Route const& route, bool of_hub) {
    json::object out{{"operationId", operation_id(route)},
                     {"summary", route.summary},
                     {"x-role", access::to_word(route.role)},
                     {"parameters", parameters_of(route)},
                     {"responses", answers_of(route, of_hub)}};
    if (route.role == access::Role::none) {
        out["security"] = json::array{};
    }
    if (route.method == "POST") {
        out["requestBody"] =
            json::object{{"required", true}, {"content", content(route.takes, schema_of(route.body))}};
    }
    return out;
}

// To a role too low, or to a token that is limited to other sites.
bool may_be_forbidden(Route const& route) {
    if (route.role == access::Role::none) {
        return false;
    }
    auto const names = names_in(route.pattern);
    bool const of_site = std::any_of(names.begin(), names.end(), [](std::string_view name) {
        return name == "site" || name == "probe" || name == "ticket";
    });
    return route.role != access::Role::read || of_site || !route.limits_itself;
}

}  // namespace

std::vector<int> statuses_of(Route const& route) {
    std::set<int> out{route.status};
    bool const reads = route.method == "GET";
    out.insert({400, 429});
    if (reads && route.where != Where::events) {
        out.insert(304);
    }
    if (!names_in(route.pattern).empty()) {
        out.insert(404);
    }
    if (route.role != access::Role::none) {
        out.insert(401);
    }
    if (may_be_forbidden(route)) {
        out.insert(403);
    }
    if (!reads) {
        out.insert({403, 413, 415, 422});
    }
    for (auto const word : words_of(route.refuses)) {
        out.insert(static_cast<int>(parse_integer(word).value()));
    }
    return {out.begin(), out.end()};
}

json::object openapi(std::string_view version, bool of_hub) {
    json::object paths;
    for (auto const& route : all_routes()) {
        if (route.of_hub && !of_hub) {
            continue;
        }
        auto& path = paths[route.pattern];
        if (!path.is_object()) {
            path.emplace_object();
        }
        path.as_object()[route.method == "GET" ? "get" : "post"] = operation_of(route, of_hub);
    }
    return {
        {"openapi", "3.1.0"},
        {"info", json::object{{"title", "Probekeeper"},
                              {"version", version},
                              {"summary", "Dissolved-oxygen probes watched, diagnosed and kept in service"}}},
        {"paths", std::move(paths)},
        {"components",
         json::object{{"schemas", schemas()},
                      {"securitySchemes",
                       json::object{{"token", json::object{{"type", "http"}, {"scheme", "bearer"}}}}}}},
        {"security", json::array{json::object{{"token", json::array{}}}}}};
}

Response show_openapi(Call const&, Backend& backend) {
    auto const health = backend.health();
    return json_response(
        openapi(health ? std::string_view{health->version} : std::string_view{"0"}, backend.is_hub()));
}

}  // namespace probekeeper::api
