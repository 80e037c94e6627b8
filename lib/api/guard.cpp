#include "api/guard.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/beast/core/string.hpp>
#include <chrono>

#include "base/text.h"

namespace probekeeper::api {
namespace {

// A wrong token may be a slip; a hundred are an attempt.
constexpr double wrong_tokens_at_once = 20.0, wrong_tokens_per_s = 0.2;

RateLimiter::Time steady() {
    return std::chrono::steady_clock::now();
}

[[noreturn]] void refuse_rate(int wait_s) {
    throw Problem{ProblemType::too_many_requests,
                  fmt::format("too many requests; ask again in {} s", wait_s),
                  {},
                  {{"Retry-After", std::to_string(wait_s)}}};
}

Problem unauthenticated(std::string detail) {
    return {ProblemType::unauthenticated, std::move(detail), {}, {{"WWW-Authenticate", "Bearer"}}};
}

Problem forbidden(std::string detail) {
    return {ProblemType::forbidden, std::move(detail), {}, {}};
}

// Behind a proxy of ours all connections come from it; it appends whom it speaks for.
std::string address_of(Head const& head, AccessRules const& rules) {
    if (!rules.behind_proxy || !head.forwarded_for) {
        return head.address;
    }
    auto const comma = head.forwarded_for->rfind(',');
    return std::string{
        trimmed(std::string_view{*head.forwarded_for}.substr(comma == std::string::npos ? 0 : comma + 1))};
}

// "saltmarsh" of "saltmarsh-17".
std::string_view site_of_ticket(std::string_view ticket) {
    return ticket.substr(0, std::min(ticket.rfind('-'), ticket.size()));
}

void require_site(Caller const& caller, std::string_view site) {
    if (!caller.sees(site)) {
        throw forbidden(fmt::format("this token is limited to {}", fmt::join(caller.sites, ", ")));
    }
}

void check_site_parameter(Caller const& caller, Target& target) {
    auto const given = std::find_if(
        target.parameters.begin(), target.parameters.end(),
        [](auto const& parameter) { return parameter.first == "site" && !parameter.second.empty(); });
    if (given != target.parameters.end()) {
        require_site(caller, given->second);
    } else if (caller.sites.size() == 1) {
        std::erase_if(target.parameters, [](auto const& parameter) { return parameter.first == "site"; });
        target.parameters.emplace_back("site", caller.sites.front());
    } else {
        throw forbidden(fmt::format("this token is limited to {}; name one of them with ?site=",
                                    fmt::join(caller.sites, ", ")));
    }
}

}  // namespace

Guard::Guard(std::string address, AccessRules rules, Limits const& limits)
    : address_{std::move(address)},
      requests_{limits.requests_per_s, limits.requests_at_once},
      failures_{wrong_tokens_per_s, wrong_tokens_at_once} {
    set(std::move(rules));
}

void Guard::set(AccessRules rules) {
    Gate gate{address_, rules.allow_origins, rules.host_names};
    auto next = std::make_shared<Now const>(Now{std::move(rules), std::move(gate)});
    std::scoped_lock const lock{mutex_};
    now_ = std::move(next);
}

std::shared_ptr<Guard::Now const> Guard::now() const {
    std::scoped_lock const lock{mutex_};
    return now_;
}

std::shared_ptr<Gate const> Guard::gate() const {
    auto const held = now();
    return {held, &held->gate};
}

Caller Guard::identify(Head const& head, Now const& now, Target& target, std::string const& address,
                       Timestamp at) {
    if (!now.rules.tokens_needed) {
        static_cast<void>(links_.open(target, at));  // takes the parameter out: a link works here too
        return {};
    }
    if (auto const wait = failures_.wait(address, steady())) {
        refuse_rate(*wait);
    }
    constexpr std::string_view scheme = "bearer ";
    auto const& given = head.authorization;
    if (given && given->size() > scheme.size() &&
        boost::beast::iequals(std::string_view{*given}.substr(0, scheme.size()), scheme)) {
        if (auto const* token = access::find_token(now.rules.tokens,
                                                   trimmed(std::string_view{*given}.substr(scheme.size())))) {
            return {token->name, token->role, token->sites};
        }
    } else if (!given) {
        bool const has_link = std::any_of(target.parameters.begin(), target.parameters.end(),
                                          [](auto const& parameter) { return parameter.first == "link"; });
        if (auto caller = links_.open(target, at)) {
            return *caller;
        }
        if (!has_link) {
            if (auto const wait = requests_.take("address " + address, steady())) {
                refuse_rate(*wait);
            }
            throw unauthenticated("a token is needed: send Authorization: Bearer TOKEN");
        }
    }
    static_cast<void>(failures_.take(address, steady()));
    throw unauthenticated("this token or link is not known here, or not any more");
}

Caller Guard::admit(Head const& head, Route const& route, Target& target, Timestamp at) {
    auto const held = now();
    auto const address = address_of(head, held->rules);
    if (route.role == access::Role::none) {
        if (auto const wait = requests_.take("address " + address, steady())) {
            refuse_rate(*wait);
        }
        return {"anybody", access::Role::none, {}};
    }
    auto caller = identify(head, *held, target, address, at);
    caller.address = address;
    auto const key = held->rules.tokens_needed ? "token " + caller.name : "address " + address;
    if (auto const wait = requests_.take(key, steady())) {
        refuse_rate(*wait);
    }
    if (caller.role < route.role) {
        throw forbidden(fmt::format("this takes a token with role {}, and this one has {}",
                                    access::to_word(route.role), access::to_word(caller.role)));
    }
    return caller;
}

void Guard::check_probe(Caller const& caller, Route const& route, std::vector<std::string> const& ids,
                        Backend& backend) {
    if (caller.sites.empty() || route.role == access::Role::none) {
        return;
    }
    auto const names = names_in(route.pattern);
    for (std::size_t i = 0; i < names.size(); ++i) {
        if (names[i] == "probe") {
            auto const probe = backend.probe(ids[i]);
            if (!probe) {
                throw problem_of(probe.error(), /*of_body=*/false);
            }
            require_site(caller, probe->site);
        }
    }
}

void Guard::check_sites(Caller const& caller, Route const& route, std::vector<std::string> const& ids,
                        Target& target) {
    if (caller.sites.empty() || route.role == access::Role::none) {
        return;
    }
    bool covered = route.limits_itself;
    auto const names = names_in(route.pattern);
    for (std::size_t i = 0; i < names.size(); ++i) {
        if (names[i] == "site") {
            require_site(caller, ids[i]);
            covered = true;
        } else if (names[i] == "ticket") {
            require_site(caller, site_of_ticket(ids[i]));
            covered = true;
        } else if (names[i] == "probe") {
            covered = true;
        }
    }
    if (!covered && takes_site(route)) {
        check_site_parameter(caller, target);
        covered = true;
    }
    if (!covered) {
        throw forbidden(fmt::format("this is about all sites, and this token is limited to {}",
                                    fmt::join(caller.sites, ", ")));
    }
}

}  // namespace probekeeper::api
