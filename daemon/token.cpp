#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <chrono>
#include <filesystem>

#include "access/secret.h"
#include "access/tokens.h"
#include "base/text.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"
#include "fleet/load.h"

namespace probekeeper::daemon {
namespace {

constexpr std::string_view reload_hint = "a running daemon takes it on SIGHUP";

int complain(std::string const& message) {
    fmt::print(stderr, "{}\n", message);
    return wrong;
}

// The tokens that are there, and the file they are in. Other problems of the configuration are no hindrance:
// whoever sets up access may not have got to the rest yet.
std::optional<std::filesystem::path> file_of(std::filesystem::path const& config) {
    auto const loaded = fleet::load(config);
    if (!loaded.tokens_file) {
        for (auto const& problem : loaded.problems) {
            fmt::print(stderr, "{}\n", fleet::to_line(problem));
        }
        fmt::print(stderr, "{}: [http] needs `tokens_file`, the file to keep tokens in\n", config.string());
    }
    return loaded.tokens_file;
}

std::optional<std::vector<access::Token>> tokens_in(std::filesystem::path const& file) {
    if (!std::filesystem::exists(file)) {
        return std::vector<access::Token>{};
    }
    auto read = access::read_tokens(file);
    for (auto const& problem : read.problems) {
        fmt::print(stderr, "{}:{}: {}\n", file.string(), problem.line, problem.message);
    }
    return read.problems.empty() ? std::optional{std::move(read.tokens)} : std::nullopt;
}

auto place_of(std::vector<access::Token>& tokens, std::string const& name) {
    return std::find_if(tokens.begin(), tokens.end(), [&](access::Token const& t) { return t.name == name; });
}

// What --site names must be there, or the token would be of no use and nobody would know why. A hub's
// configuration names no sites: which there are it is told by their daemons.
std::string unknown_site(std::filesystem::path const& config, std::vector<std::string> const& sites) {
    auto const loaded = fleet::load(config);
    for (auto const& site : sites) {
        if (loaded.fleet && !loaded.fleet->sites.empty() && !loaded.fleet->find_site(site)) {
            std::vector<std::string> ids;
            for (auto const& one : loaded.fleet->sites) {
                ids.push_back(one.id);
            }
            auto const near = nearest_word(site, ids);
            return fmt::format("--site {}: there is no such site{}", site,
                               near ? "; did you mean " + *near + "?" : "");
        }
    }
    return {};
}

int add(std::filesystem::path const& config, TokenRequest const& request) {
    auto const file = file_of(config);
    auto tokens = file ? tokens_in(*file) : std::nullopt;
    auto const role = access::role_of(request.role);
    if (!tokens) {
        return wrong;
    }
    if (!access::fit_for_name(request.name)) {
        return complain(fmt::format("{}: a name has 1 to 48 of a-z, 0-9 and -", request.name));
    }
    if (!role) {
        return complain(fmt::format("--role {}: must be read, operate or admin", request.role));
    }
    if (place_of(*tokens, request.name) != tokens->end()) {
        return complain(fmt::format("{}: there is such a token already; `token revoke {}` ends it",
                                    request.name, request.name));
    }
    if (auto const unknown = unknown_site(config, request.sites); !unknown.empty()) {
        return complain(unknown);
    }
    auto const secret = access::new_secret("pk_");
    auto const now = std::chrono::floor<Millis>(std::chrono::system_clock::now());
    tokens->push_back({request.name, *role, access::hash_of(secret), now, request.sites});
    access::write_tokens(*file, *tokens);
    fmt::print("{}\n", secret);
    fmt::print(stderr, "This is shown once and kept nowhere; {}.\n", reload_hint);
    return done;
}

int list(std::filesystem::path const& config) {
    auto const file = file_of(config);
    auto const tokens = file ? tokens_in(*file) : std::nullopt;
    if (!tokens) {
        return wrong;
    }
    for (auto const& token : *tokens) {
        fmt::print("{}  {}  {}  {}\n", token.name, access::to_word(token.role), to_rfc3339(token.created),
                   token.sites.empty() ? "all sites" : fmt::format("{}", fmt::join(token.sites, ",")));
    }
    return done;
}

int revoke(std::filesystem::path const& config, std::string const& name) {
    auto const file = file_of(config);
    auto tokens = file ? tokens_in(*file) : std::nullopt;
    if (!tokens) {
        return wrong;
    }
    auto const place = place_of(*tokens, name);
    if (place == tokens->end()) {
        return complain(fmt::format("{}: there is no such token", name));
    }
    tokens->erase(place);
    access::write_tokens(*file, *tokens);
    fmt::print(stderr, "{} is revoked; {}.\n", name, reload_hint);
    return done;
}

}  // namespace

int token(std::filesystem::path const& config, TokenRequest const& request) {
    switch (request.verb) {
        case TokenRequest::Verb::add:
            return add(config, request);
        case TokenRequest::Verb::list:
            return list(config);
        case TokenRequest::Verb::revoke:
            return revoke(config, request.name);
    }
    return wrong;
}

}  // namespace probekeeper::daemon
