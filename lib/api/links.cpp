#include "api/links.h"

#include <algorithm>

#include "access/secret.h"
#include "api/problem.h"

namespace probekeeper::api {

Links::Made Links::make(Caller const& caller, std::string const& path, Timestamp now) {
    auto target = parse_target(path);
    bool const usable = target && !target->host &&
                        std::none_of(target->parameters.begin(), target->parameters.end(),
                                     [](auto const& parameter) { return parameter.first == "link"; });
    if (!usable) {
        throw invalid_fields({{"path", "must be a path of this server such as /v1/events"}});
    }
    auto const secret = access::new_secret("");
    Made made{path + (target->parameters.empty() ? "?link=" : "&link=") + secret, now + good_for};
    Link link{caller, std::move(*target), made.expires_at};
    link.caller.role = std::min(caller.role, access::Role::read);
    std::scoped_lock const lock{mutex_};
    std::erase_if(links_, [&](auto const& one) { return one.second.expires_at < now; });
    if (links_.size() >= links_most) {
        throw Problem{ProblemType::too_many_requests,
                      "too many links are open; ask again in a minute",
                      {},
                      {{"Retry-After", "60"}}};
    }
    links_.emplace(access::hash_of(secret), std::move(link));
    return made;
}

std::optional<Caller> Links::open(Target& target, Timestamp now) {
    auto const found = std::find_if(target.parameters.begin(), target.parameters.end(),
                                    [](auto const& parameter) { return parameter.first == "link"; });
    if (found == target.parameters.end()) {
        return std::nullopt;
    }
    auto const hash = access::hash_of(found->second);
    target.parameters.erase(found);
    std::scoped_lock const lock{mutex_};
    auto const link = links_.find(hash);
    bool const good = link != links_.end() && link->second.expires_at >= now &&
                      link->second.target.segments == target.segments &&
                      link->second.target.parameters == target.parameters;
    return good ? std::optional{link->second.caller} : std::nullopt;
}

}  // namespace probekeeper::api
