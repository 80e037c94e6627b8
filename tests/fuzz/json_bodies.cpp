// The JSON body of every POST that takes one. The first byte says which; what is stored of it is then read
// again in every form that shows it.
#include <array>

#include "fuzz/api.h"

using namespace probekeeper;

namespace {

std::vector<api::Route const*> routes_with_json() {
    std::vector<api::Route const*> found;
    for (auto const& route : api::all_routes()) {
        if (route.method == "POST" && route.takes == "application/json") {
            found.push_back(&route);
        }
    }
    return found;
}

// The route's path with ids that the estate knows.
std::string path_of(api::Route const& route) {
    constexpr std::array<std::pair<std::string_view, std::string_view>, 6> known{
        {{"{probe}", "tank-1"},
         {"{site}", "saltmarsh"},
         {"{ticket}", "saltmarsh-17"},
         {"{week}", "2026-W49"},
         {"{record}", "1"},
         {"{number}", "1"}}};
    std::string path{route.pattern};
    for (auto const& [name, id] : known) {
        if (auto const at = path.find(name); at != std::string::npos) {
            path.replace(at, name.size(), id);
        }
    }
    return path;
}

api::Head head_of(std::string method, std::string target) {
    api::Head head;
    head.method = std::move(method);
    head.target = std::move(target);
    head.address = "127.0.0.1";
    head.hosts = {"localhost"};
    head.content_type = "application/json";
    return head;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    static auto const routes = routes_with_json();
    if (size == 0) {
        return 0;
    }
    auto const& route = *routes[data[0] % routes.size()];
    std::string const body{fuzz::text_of(data + 1, size - 1)};
    fuzz::Api api;
    auto post = head_of("POST", path_of(route));
    post.idempotency_key = "one-and-the-same";
    auto const first = api.respond(post, body);
    fuzz::require(first.status != 404 || route.pattern.find("{record}") != std::string_view::npos ||
                      route.pattern.find("/end") != std::string_view::npos,
                  "the path is one that the estate knows");
    auto const again = api.respond(post, body);
    // Rounds are published by the estate without keeping the answer.
    fuzz::require(first.status >= 300 || first.body == again.body || !is_change(route) ||
                      route.pattern.starts_with("/v1/rounds"),
                  "the same change under the same key is answered the same");
    for (auto const* path :
         {"/v1/tickets/saltmarsh-17", "/v1/probes/tank-1/service-records", "/v1/probes/tank-1/out-of-use",
          "/v1/findings", "/v1/membrane-statistics", "/v1/changes"}) {
        static_cast<void>(api.respond(head_of("GET", path), {}));
    }
    return 0;
}
