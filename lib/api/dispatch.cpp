#include "api/dispatch.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <limits>
#include <utility>

#include "api/body.h"
#include "api/etag.h"
#include "api/handlers.h"
#include "api/pack.h"
#include "base/text.h"

namespace probekeeper::api {
namespace {

using document::shown;

Problem malformed(std::string detail) {
    return {ProblemType::malformed_request, std::move(detail), {}, {}};
}

// `media`, with or without charset=utf-8 (RFC 8259 knows no other, and we read no other CSV).
bool is_media(std::string_view content_type, std::string_view media) {
    std::string lower;
    for (char const c : content_type) {
        if (c != ' ' && c != '\t' && c != '"') {
            lower += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
        }
    }
    auto const semicolon = lower.find(';');
    return std::string_view{lower}.substr(0, semicolon) == media &&
           (semicolon == std::string::npos || lower.substr(semicolon) == ";charset=utf-8");
}

std::string host_of(Head const& head, Target const& target) {
    if (target.host) {
        return *target.host;  // RFC 9112 section 3.2.2: it outranks the Host header
    }
    return head.hosts.empty() ? std::string{} : head.hosts.front();
}

Problem no_path(std::string_view path) {
    return {ProblemType::not_found, fmt::format("there is nothing at {}", shown(path)), {}, {}};
}

// A browser that comes back by itself says in a header what it heard last, and its address is still the old
// one.
std::optional<std::int64_t> heard_of(Head const& head, Query const& query) {
    auto const by_address = query.integer("last_event_id", 0, std::numeric_limits<std::int64_t>::max());
    auto const by_header = head.last_event_id ? parse_integer(*head.last_event_id) : std::nullopt;
    return by_header ? by_header : by_address;
}

Problem wrong_method(Head const& head, Match const& match) {
    auto const allowed = fmt::format("{}", fmt::join(match.allowed, ", "));
    return {ProblemType::method_not_allowed,
            fmt::format("{} is not for this path; it takes {}", shown(head.method), allowed),
            {},
            {{"Allow", allowed}}};
}

// The body, with the time of now where it means that and does not say it.
std::string dated(Route const& route, Call const& call, std::string const& body) {
    auto const* const written = route.dated_by.empty() ? nullptr : call.body.if_contains(route.dated_by);
    if (route.dated_by.empty() || (written != nullptr && !written->is_null())) {
        return body;
    }
    auto complete = call.body;
    complete[route.dated_by] = to_rfc3339(call.now);
    return document::write(complete);
}

}  // namespace

Dispatcher::Dispatcher(std::string address, AccessRules access, Limits const& limits,
                       std::function<Timestamp()> now, Backend& backend, std::shared_ptr<spdlog::logger> log)
    : guard_{std::move(address), std::move(access), limits},
      json_depth_{limits.json_depth},
      now_{std::move(now)},
      backend_{backend},
      log_{std::move(log)} {}

void Dispatcher::check_host(Head const& head, std::string const& host) const {
    if (head.hosts.size() > 1) {
        throw malformed("there are several Host headers; send one");
    }
    if (head.hosts.empty() && !head.may_omit_host) {
        throw malformed("the Host header is missing");
    }
    // Both: a proxy's absolute address outranks Host, and must not be a way around the check.
    auto const gate = guard_.gate();
    bool const known = (head.hosts.empty() || gate->knows_host(head.hosts.front())) &&
                       (host.empty() || gate->knows_host(host));
    if (!known) {
        throw Problem{
            ProblemType::wrong_host,
            fmt::format(
                "{} is no name of this server; on this machine it is localhost, 127.0.0.1 or [::1], and "
                "host_names gives it others",
                shown(head.hosts.empty() ? host : head.hosts.front())),
            {},
            {}};
    }
}

void Dispatcher::check_command(Head const& head, Route const& route, std::string const& host) const {
    if (head.origin && !guard_.gate()->lets_change(*head.origin, host)) {
        throw Problem{
            ProblemType::origin_refused,
            fmt::format("a page of {} may not change anything here; allow_origins names those that may",
                        shown(*head.origin)),
            {},
            {}};
    }
    if (!head.content_type || !is_media(*head.content_type, route.takes)) {
        throw Problem{ProblemType::wrong_content_type,
                      fmt::format("the content type is {}; it must be {}",
                                  head.content_type ? shown(*head.content_type) : "missing", route.takes),
                      {},
                      {}};
    }
    if (head.content_encoding && *head.content_encoding != "identity") {
        throw Problem{ProblemType::wrong_content_type,
                      "the body must come as it is, without a content encoding",
                      {},
                      {{"Accept-Encoding", "identity"}}};
    }
    if (head.idempotency_key) {
        check_key(*head.idempotency_key);
    }
}

Response Dispatcher::options(Head const& head, Match const& match) const {
    Response response{204, {}, {}, {{"Allow", fmt::format("{}", fmt::join(match.allowed, ", "))}}};
    if (head.asks_cors && head.origin && guard_.gate()->lets_read(*head.origin)) {
        response.headers.emplace_back("Access-Control-Allow-Methods", "GET, HEAD, POST");
        response.headers.emplace_back("Access-Control-Allow-Headers",
                                      "Authorization, Content-Type, Idempotency-Key, If-None-Match, "
                                      "Last-Event-ID");
        response.headers.emplace_back("Access-Control-Max-Age", "600");
    }
    return response;
}

std::variant<Admitted, Response> Dispatcher::admit(Head const& head) {
    try {
        if (head.method == "OPTIONS" && head.target == "*") {
            check_host(head, {});
            return options(head, Match{nullptr, {}, {"GET", "HEAD", "POST", "OPTIONS"}});
        }
        auto target = parse_target(head.target);
        if (!target) {
            throw malformed("the request target is no well-formed path such as /v1/probes?limit=10");
        }
        auto const host = host_of(head, *target);
        check_host(head, host);
        auto found = match(head.method, target->segments, backend_.is_hub());
        std::string const path = fmt::format("/{}", fmt::join(target->segments, "/"));
        if (found.allowed.empty()) {
            throw no_path(path);
        }
        if (head.method == "OPTIONS") {
            return options(head, found);
        }
        if (found.route == nullptr) {
            throw wrong_method(head, found);
        }
        auto caller = guard_.admit(head, *found.route, *target, now_());
        return admit_target(head, std::move(*target), std::move(found), std::move(caller), host);
    } catch (Problem const& problem) {
        return to_response(problem);
    }
}

// Who asks is known: whether it may, and whether it is asked as it must be.
Admitted Dispatcher::admit_target(Head const& head, Target target, Match found, Caller caller,
                                  std::string const& host) {
    Guard::check_sites(caller, *found.route, found.ids, target);
    if (!backend_.is_hub()) {  // else it may block, and is done where that may be
        Guard::check_probe(caller, *found.route, found.ids, backend_);
    }
    std::optional<std::int64_t> heard;
    if (found.route->where == Where::events) {
        heard = heard_of(head, Query{target.parameters, found.route->parameters});
    }
    if (found.route->method == "POST") {
        check_command(head, *found.route, host);
    }
    return Admitted{found.route,
                    std::move(found.ids),
                    std::move(target.parameters),
                    fmt::format("/{}", fmt::join(target.segments, "/")),
                    std::move(caller),
                    heard};
}

std::variant<Admitted, Response> Dispatcher::admit_errand(Head const& head, Caller const& caller) {
    try {
        auto target = parse_target(head.target);
        if (!target) {
            throw malformed("the request target is no well-formed path such as /v1/tickets/a-1/close");
        }
        auto found = match(head.method, target->segments);
        if (found.route == nullptr || !is_change(*found.route) || found.route->where == Where::upload) {
            throw Problem{
                ProblemType::not_found,
                fmt::format("{} {} is no step that a hub passes on", shown(head.method), shown(head.target)),
                {},
                {}};
        }
        if (caller.role < found.route->role) {
            throw Problem{ProblemType::forbidden,
                          fmt::format("this takes a token with role {}, and this one has {}",
                                      access::to_word(found.route->role), access::to_word(caller.role)),
                          {},
                          {}};
        }
        return admit_target(head, std::move(*target), std::move(found), caller, {});
    } catch (Problem const& problem) {
        return to_response(problem);
    }
}

// All but the body.
Call Dispatcher::call_of(Admitted const& request) {
    Call call;
    call.ids = request.ids;
    call.query = Query{request.parameters, request.route->parameters};
    call.now = now_();
    call.is_command = request.route->method == "POST";
    call.caller = request.caller;
    call.guard = &guard_;
    call.http = &metrics_;
    return call;
}

Response Dispatcher::handle(Admitted const& request, Head const& head, std::string const& body) {
    auto const& route = *request.route;
    auto call = call_of(request);
    if (!call.is_command) {
        return route.handler(call, backend_);
    }
    if (route.takes != "application/json") {
        call.text = body;
    } else if (!body.empty() || !route.body.empty()) {
        call.body = parse_body(body, json_depth_);
    }
    auto const body_hash = content_hash(body);
    return handle_once(request, head, call, body_hash, [&] {
        try {
            return route.handler(call, backend_);
        } catch (Elsewhere const& there) {
            return forward(request, head, call, body, body_hash, there.site);
        }
    });
}

Response Dispatcher::handle_once(Admitted const& request, Head const& head, Call& call,
                                 std::string const& body_hash, std::function<Response()> const& handle) {
    if (!head.idempotency_key || !is_change(*request.route)) {
        return handle();
    }
    call.once = Once{request.caller.name, request.path, *head.idempotency_key, body_hash};
    return once_.answer(*call.once, backend_, handle);
}

Response Dispatcher::forward(Admitted const& request, Head const& head, Call const& call,
                             std::string const& body, std::string const& body_hash, std::string site) {
    auto const report =
        backend_.forward({head.method, request.path, std::string{request.route->takes},
                          dated(*request.route, call, body), body_hash, request.caller.name,
                          request.caller.role, request.caller.sites, head.idempotency_key, std::move(site)});
    if (!report) {
        throw problem_of(report.error(), /*of_body=*/true);
    }
    if (report->body_hash != body_hash) {
        throw key_reused();
    }
    auto response = step_response(*report);
    if (report->known_before) {
        mark_replayed(response);
    }
    return response;
}

Response Dispatcher::answer(Admitted const& request, Head const& head, std::string const& body) {
    return guarded(request, head, [&] { return handle(request, head, body); });
}

// Whoever may see the same, asks for the same and reads gzip or not, gets the same bytes.
std::string Dispatcher::key_of(Admitted const& request, Head const& head) {
    std::string key{request.route->pattern};
    for (auto const& [name, value] : request.parameters) {
        key.append(1, '\0').append(name).append(1, '=').append(value);
    }
    for (auto const& site : request.caller.sites) {
        key.append(1, '\0').append(site);
    }
    key += head.accept_encoding && takes_gzip(*head.accept_encoding) ? "\n" : "";
    return key;
}

std::optional<Response> Dispatcher::kept(Admitted const& request, Head const& head) {
    if (request.route->lists == Listed::nothing || backend_.is_hub()) {
        return std::nullopt;
    }
    auto const version = backend_.version_of(request.route->lists);
    auto const found = version ? kept_.find(key_of(request, head), *version) : std::nullopt;
    if (!found) {
        return std::nullopt;
    }
    Stopwatch const stopwatch{metrics_.took};
    Response response;
    response.kept_body = found->body;
    finish_kept(response, head, *found);
    return response;
}

Response Dispatcher::answer_finished(Admitted const& request, Head const& head, std::string const& body) {
    if (request.route->lists == Listed::nothing) {
        auto response = answer(request, head, body);
        finish(response, head);
        return response;
    }
    // Many may have asked while one was made for the first of them.
    if (auto already = kept(request, head)) {
        return std::move(*already);
    }
    auto const version = backend_.version_of(request.route->lists);
    auto response = answer(request, head, body);
    finish(response, head);
    if (version && response.status == 200) {
        keep(request, head, *version, response);
    }
    return response;
}

void Dispatcher::keep(Admitted const& request, Head const& head, DataVersion const& version,
                      Response& response) {
    auto const header = [&](std::string_view name) {
        auto const found = std::find_if(response.headers.begin(), response.headers.end(),
                                        [&](Header const& one) { return one.first == name; });
        return found == response.headers.end() ? std::string{} : found->second;
    };
    response.kept_body = std::make_shared<std::string const>(std::exchange(response.body, {}));
    kept_.keep(key_of(request, head),
               {version, response.kept_body, header("ETag"), !header("Content-Encoding").empty()});
}

Response Dispatcher::answer_upload(Admitted const& request, Head const& head,
                                   std::filesystem::path const& file, std::string body_hash) {
    return guarded(request, head, [&] {
        auto call = call_of(request);
        call.file = file;
        return handle_once(request, head, call, body_hash,
                           [&] { return request.route->handler(call, backend_); });
    });
}

// Works, and notes who changed what.
Response Dispatcher::guarded(Admitted const& request, Head const& head,
                             std::function<Response()> const& work) {
    Stopwatch const stopwatch{metrics_.took};
    try {
        if (backend_.is_hub()) {
            Guard::check_probe(request.caller, *request.route, request.ids, backend_);
        }
        auto response = work();
        if (is_change(*request.route) && !is_replayed(response)) {
            Change const change{now_(),      request.caller.name, request.caller.address,
                                head.method, request.path,        response.status};
            backend_.note_change(change);
            log_->info("event=change who={} address={} path={} status={}", change.who, change.address,
                       change.path, change.status);
        }
        return response;
    } catch (Problem const& problem) {
        return to_response(problem);
    } catch (std::exception const& e) {
        // Our own fault: the log has what happened, the client nothing that could name a path.
        log_->error("event=request_failed method={} pattern={} error=\"{}\"", request.route->method,
                    request.route->pattern, e.what());
        return to_response(
            {ProblemType::internal, "the daemon could not answer this; its log says why", {}, {}});
    }
}

void Dispatcher::finish(Response& response, Head const& head) const {
    bool const reads = head.method == "GET" || head.method == "HEAD";
    bool const tagged = reads && response.status == 200;
    if (tagged) {
        auto etag = etag_of(response.body);
        auto const packed = packed_tag(etag);
        if (head.if_none_match &&
            (names_etag(*head.if_none_match, etag) || names_etag(*head.if_none_match, packed))) {
            response.status = 304;
            response.body.clear();
            response.content_type.clear();
        } else if (pack(response, head)) {
            etag = packed;
        }
        response.headers.emplace_back("ETag", std::move(etag));
    }
    response.finished = true;
    // no-cache: keep it, but ask each time whether it still holds. All else is of one moment.
    response.headers.emplace_back("Cache-Control", tagged ? "private, no-cache" : "no-store");
    add_rules(response, head);
}

void Dispatcher::finish_kept(Response& response, Head const& head, AnswerCache::Kept const& kept) const {
    auto const plain = kept.packed ? plain_tag(kept.etag) : kept.etag;
    if (head.if_none_match &&
        (names_etag(*head.if_none_match, plain) || names_etag(*head.if_none_match, packed_tag(plain)))) {
        response.status = 304;
        response.kept_body.reset();
        response.content_type.clear();
        response.headers.emplace_back("ETag", plain);
    } else {
        if (kept.packed) {
            response.headers.emplace_back("Content-Encoding", "gzip");
        }
        response.headers.emplace_back("ETag", kept.etag);
    }
    response.finished = true;
    response.headers.emplace_back("Cache-Control", "private, no-cache");
    add_rules(response, head);
}

void Dispatcher::finish_stream(Response& response, Head const& head) const {
    response.headers.emplace_back("Cache-Control", "no-store");
    response.headers.emplace_back("X-Accel-Buffering", "no");  // some proxies hold a stream back otherwise
    add_rules(response, head);
}

// For browsers.
void Dispatcher::add_rules(Response& response, Head const& head) const {
    response.headers.emplace_back("X-Content-Type-Options", "nosniff");
    response.headers.emplace_back("Referrer-Policy", "no-referrer");
    bool const has_policy =
        std::any_of(response.headers.begin(), response.headers.end(), [](Header const& header) {
            return header.first ==
                   "Content-Security-Policy";  // a page of ours has one that lets it show itself
        });
    if (!has_policy) {
        response.headers.emplace_back("Content-Security-Policy",
                                      "default-src 'none'; frame-ancestors 'none'");
    }
    if (head.origin && guard_.gate()->lets_read(*head.origin)) {
        response.headers.emplace_back("Access-Control-Allow-Origin", *head.origin);
        response.headers.emplace_back("Access-Control-Expose-Headers",
                                      "ETag, Idempotency-Replayed, Retry-After");
    }
    response.headers.emplace_back("Vary", "Origin, Accept-Encoding");
}

}  // namespace probekeeper::api
