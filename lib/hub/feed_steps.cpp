// The steps that people took at the hub.
#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "hub/feed.h"
#include "hub/feed_ends.h"

namespace probekeeper::hub {

namespace {

constexpr std::size_t steps_most = 100;

}  // namespace

bool Feed::take_steps() {
    auto const rows = connection_->run(
        "SELECT w.site_id, w.id, s.who, s.role, s.method, s.path, s.content_type, s.body "
        "FROM probekeeper.waiting_steps w JOIN probekeeper.steps s USING (site_id, id) WHERE w.site_id = ANY "
        "($1) "
        "ORDER BY w.seq LIMIT $2",
        {sites_, steps_most});
    std::vector<std::string> held;  // sites that wait: what follows must not overtake
    bool any = false;
    for (std::size_t row = 0; row < rows.size(); ++row) {
        std::string const site{rows.text(row, 0)};
        if (std::find(held.begin(), held.end(), site) != held.end()) {
            continue;
        }
        if (take_step(rows, row)) {
            any = true;
        } else {
            held.push_back(site);
        }
    }
    return any && rows.size() == steps_most;
}

// False: not now.
bool Feed::take_step(postgres::Rows const& rows, std::size_t row) {
    std::string const site{rows.text(row, 0)}, id{rows.text(row, 1)};
    store::FeedChanges changes;
    if (store::must(
            reader_->step_outcome(site, id))) {  // a hub that was restored has forgotten what came of it
        changes.facts.push_back({store::FactKind::outcome, site, {}, id, 0});
        keep(std::move(changes));
        return true;
    }
    api::Errand errand;
    errand.caller.name = fmt::format("hub:{}", rows.text(row, 2));
    errand.caller.role = access::role_of(rows.text(row, 3)).value_or(access::Role::read);
    errand.caller.sites = {site};
    errand.caller.address = "hub";
    errand.method = rows.text(row, 4);
    errand.target = rows.text(row, 5);
    errand.content_type = rows.text(row, 6);
    errand.body = rows.text(row, 7);
    errand.key = id;
    auto const response = errands_.run(errand);
    constexpr int not_now = 503, too_many = 429, our_fault = 500, tries_most = 20;
    bool const waits = response.status == not_now || response.status == too_many ||
                       (response.status == our_fault && ++tries_[id] < tries_most);
    if (waits) {
        if (told_held_.insert(id).second) {
            around_.log->warn("event=hub_step_waits site={} step={} status={}", site, id, response.status);
        }
        return false;
    }
    tries_.erase(id);
    told_held_.erase(id);
    around_.log->info("event=hub_step site={} step={} who={} path={} status={}", site, id, errand.caller.name,
                      errand.target, response.status);
    changes.outcomes.push_back({site, id, around_.clock.now(), response.status, response.content_type,
                                std::string{response.bytes()}});
    keep(std::move(changes));
    std::lock_guard const lock{mutex_};
    ++shown_.steps;
    return true;
}

}  // namespace probekeeper::hub
