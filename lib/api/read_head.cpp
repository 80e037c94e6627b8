#include "api/read_head.h"

namespace probekeeper::api {
namespace {

namespace http = boost::beast::http;

std::optional<std::string> field(http::fields const& fields, std::string_view name) {
    auto const found = fields.find(name);
    return found == fields.end() ? std::nullopt : std::optional{std::string{found->value()}};
}

}  // namespace

Head head_of(http::request_header<> const& request) {
    Head head;
    head.method = std::string{request.method_string()};
    head.target = std::string{request.target()};
    auto const hosts = request.equal_range(http::field::host);
    for (auto host = hosts.first; host != hosts.second; ++host) {
        head.hosts.emplace_back(host->value());
    }
    head.may_omit_host = request.version() < 11;
    head.origin = field(request, "Origin");
    head.content_type = field(request, "Content-Type");
    head.content_encoding = field(request, "Content-Encoding");
    head.if_none_match = field(request, "If-None-Match");
    head.idempotency_key = field(request, "Idempotency-Key");
    head.authorization = field(request, "Authorization");
    head.accept_encoding = field(request, "Accept-Encoding");
    head.last_event_id = field(request, "Last-Event-ID");
    head.forwarded_for = field(request, "X-Forwarded-For");
    head.asks_cors = field(request, "Access-Control-Request-Method").has_value();
    return head;
}

}  // namespace probekeeper::api
