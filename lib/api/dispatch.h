// From a request to its response, without a socket: admission by the header, then the answer.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <variant>

#include "api/answer_cache.h"
#include "api/guard.h"
#include "api/head.h"
#include "api/http_metrics.h"
#include "api/once.h"
#include "api/routes.h"
#include "api/target.h"

namespace probekeeper::api {

// A request that may be answered once its body is there.
struct Admitted {
    Route const* route = nullptr;
    std::vector<std::string> ids;
    std::vector<std::pair<std::string, std::string>> parameters;
    std::string path;
    Caller caller;
    std::optional<std::int64_t> heard;  // of an event stream: the last event that the client knows
};

// Safe to use from several threads.
class Dispatcher {
public:
    Dispatcher(std::string address, AccessRules access, Limits const& limits, std::function<Timestamp()> now,
               Backend& backend, std::shared_ptr<spdlog::logger> log);

    void set_access(AccessRules rules) { guard_.set(std::move(rules)); }
    [[nodiscard]] HttpMetrics& metrics() { return metrics_; }
    [[nodiscard]] Backend& backend() { return backend_; }

    // Refuses early what its body cannot save, so that nobody sends a megabyte for nothing.
    [[nodiscard]] std::variant<Admitted, Response> admit(Head const& head);
    // Likewise for a command that no connection brought, of somebody who is known: see errands.h.
    [[nodiscard]] std::variant<Admitted, Response> admit_errand(Head const& head, Caller const& caller);
    // Calls the handler, which may block as its route says. Never throws.
    [[nodiscard]] Response answer(Admitted const& request, Head const& head, std::string const& body);
    // The same, finished: a list that has not changed comes as it was given before.
    [[nodiscard]] Response answer_finished(Admitted const& request, Head const& head,
                                           std::string const& body);
    // Such a list, if there is one. Never blocks.
    [[nodiscard]] std::optional<Response> kept(Admitted const& request, Head const& head);
    // As answer(), of a body that lies in `file` and has that content_hash().
    [[nodiscard]] Response answer_upload(Admitted const& request, Head const& head,
                                         std::filesystem::path const& file, std::string body_hash);
    // Adds what every response has: tags, CORS, rules for browsers and caches; turns 200 into 304 where it is
    // known, and makes it small where the client can read that.
    void finish(Response& response, Head const& head) const;
    // Likewise for the opening of an event stream.
    void finish_stream(Response& response, Head const& head) const;

private:
    void check_host(Head const& head, std::string const& host) const;
    void check_command(Head const& head, Route const& route, std::string const& host) const;
    [[nodiscard]] Admitted admit_target(Head const& head, Target target, Match found, Caller caller,
                                        std::string const& host);
    [[nodiscard]] Response options(Head const& head, Match const& match) const;
    [[nodiscard]] Call call_of(Admitted const& request);
    [[nodiscard]] Response forward(Admitted const& request, Head const& head, Call const& call,
                                   std::string const& body, std::string const& body_hash, std::string site);
    [[nodiscard]] Response handle_once(Admitted const& request, Head const& head, Call& call,
                                       std::string const& body_hash, std::function<Response()> const& handle);
    [[nodiscard]] Response handle(Admitted const& request, Head const& head, std::string const& body);

    [[nodiscard]] static std::string key_of(Admitted const& request, Head const& head);
    void keep(Admitted const& request, Head const& head, DataVersion const& version, Response& response);
    void finish_kept(Response& response, Head const& head, AnswerCache::Kept const& kept) const;
    void add_rules(Response& response, Head const& head) const;
    [[nodiscard]] Response guarded(Admitted const& request, Head const& head,
                                   std::function<Response()> const& work);

    Guard guard_;
    HttpMetrics metrics_;
    std::size_t json_depth_;
    std::function<Timestamp()> now_;
    Backend& backend_;
    std::shared_ptr<spdlog::logger> log_;
    OnceKeeper once_;
    AnswerCache kept_;
};

}  // namespace probekeeper::api
