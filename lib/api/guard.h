// Who may do what: tokens, links, rates, and the sites that a token is limited to.
#pragma once

#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "access/tokens.h"
#include "api/call.h"
#include "api/gate.h"
#include "api/head.h"
#include "api/links.h"
#include "api/rate.h"
#include "api/routes.h"
#include "api/server.h"
#include "api/target.h"

namespace probekeeper::api {

// Safe to use from several threads. Functions throw Problem.
class Guard {
public:
    Guard(std::string address, AccessRules rules, Limits const& limits);

    void set(AccessRules rules);
    [[nodiscard]] std::shared_ptr<Gate const> gate() const;

    // Whose request it is. Takes a link out of `target`. Throws unauthenticated, forbidden (a role too low)
    // or too_many_requests.
    [[nodiscard]] Caller admit(Head const& head, Route const& route, Target& target, Timestamp now);
    // Holds a caller to its sites, see Route; may add the parameter `site`. Of probes check_probe() does it.
    static void check_sites(Caller const& caller, Route const& route, std::vector<std::string> const& ids,
                            Target& target);
    // Asks the backend for the site of the probe in the path, if there is one.
    static void check_probe(Caller const& caller, Route const& route, std::vector<std::string> const& ids,
                            Backend& backend);
    [[nodiscard]] Links::Made make_link(Caller const& caller, std::string const& path, Timestamp at) {
        return links_.make(caller, path, at);
    }

private:
    struct Now {
        AccessRules rules;
        Gate gate;
    };
    [[nodiscard]] std::shared_ptr<Now const> now() const;
    [[nodiscard]] Caller identify(Head const& head, Now const& now, Target& target,
                                  std::string const& address, Timestamp at);

    std::string const address_;
    mutable std::mutex mutex_;  // guards now_
    std::shared_ptr<Now const> now_;
    Links links_;
    RateLimiter requests_, failures_;
};

}  // namespace probekeeper::api
