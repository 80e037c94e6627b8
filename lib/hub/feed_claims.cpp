// Where the hub stands, and which sites are ours there.
#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "hub/feed.h"
#include "hub/feed_ends.h"

namespace probekeeper::hub {

namespace {

constexpr Millis under_way{120'000};

}  // namespace

// Where the hub stands, and where we do.
void Feed::synchronise() {
    auto state = store::must(reader_->feed());
    if (!state) {
        throw Postponed{"nothing is noted for a hub yet"};
    }
    daemon_ = state->daemon;
    auto const rows =
        connection_->run("SELECT seq, summary_seq FROM probekeeper.feeds WHERE daemon = $1", {daemon_});
    store::FeedPosition hub;
    if (!rows.empty()) {
        hub = {rows.integer(0, 0), rows.integer(0, 1)};
    }
    bool const known = hub == state->told || hub == state->trying;
    if (known) {
        store::FeedChanges changes;
        changes.told = changes.trying = hub;
        keep(std::move(changes));
        sent_ = hub;
    } else {
        around_.log->warn(
            "event=hub_told_again why=\"it has {}:{} and not {}:{}: one of us was restored from a copy\"",
            hub.facts, hub.hours, state->told.facts, state->told.hours);
        sent_ = {std::max(hub.facts, state->given.facts), std::max(hub.hours, state->given.hours)};
        store::FeedChanges changes;
        changes.go_on_behind = sent_;
        keep(std::move(changes));
    }
    auto const moved = connection_->run(
        "INSERT INTO probekeeper.feeds AS f (daemon, seq, summary_seq, heard_at, version) "
        "VALUES ($1, $2, $3, now(), $4) ON CONFLICT (daemon) DO UPDATE SET seq = excluded.seq, "
        "summary_seq = excluded.summary_seq, heard_at = now(), version = excluded.version "
        "WHERE f.seq = $5 AND f.summary_seq = $6",
        {daemon_, sent_.facts, sent_.hours, around_.version, hub.facts, hub.hours});
    if (moved.affected() != 1) {
        throw Superseded{
            "another process told the hub as this daemon just now: is a copy of its store at work?"};
    }
}

// Those of the configuration that are ours there, in order.
std::vector<std::string> Feed::sites_of_ours() {
    connection_->run(
        "INSERT INTO probekeeper.sites (site_id, daemon, heard_at) SELECT unnest($1::text[]), $2, now() "
        "ON CONFLICT (site_id) DO NOTHING",
        {all_sites_, daemon_});
    connection_->run(
        "UPDATE probekeeper.sites SET removed_at = now() WHERE daemon = $2 AND removed_at IS NULL AND "
        "NOT (site_id = ANY ($1))",
        {all_sites_, daemon_});
    connection_->run("UPDATE probekeeper.feeds SET heard_at = now() WHERE daemon = $1", {daemon_});
    auto const rows = connection_->run(
        "UPDATE probekeeper.sites SET heard_at = now(), removed_at = NULL WHERE site_id = ANY ($1) AND "
        "daemon = $2 "
        "RETURNING site_id",
        {all_sites_, daemon_});
    std::vector<std::string> ours;
    for (std::size_t row = 0; row < rows.size(); ++row) {
        ours.emplace_back(rows.text(row, 0));
    }
    std::sort(ours.begin(), ours.end());
    return ours;
}

void Feed::claim_sites() {
    next_claim_ = Clock::now() + options_.claim_every;
    auto ours = sites_of_ours();
    auto const known = store::must(reader_->feed()).value().sites;
    store::FeedChanges changes;
    std::set_difference(ours.begin(), ours.end(), known.begin(), known.end(),
                        std::back_inserter(changes.tell_again));
    std::set_difference(known.begin(), known.end(), ours.begin(), ours.end(),
                        std::back_inserter(changes.lost_sites));
    if (sites_.empty()) {  // the configuration may have changed
        for (auto const& site : ours) {
            changes.facts.push_back({store::FactKind::site, site, {}, {}, 0});
        }
    }
    auto changed = changed_probes(ours);
    for (auto const& probe : changed) {
        changes.facts.push_back({store::FactKind::probe, probe.site, probe.id, {}, 0});
    }
    // Also of probes that have fallen silent; what is under way has come by then.
    auto const over = around_.clock.now() - under_way;
    if (store::must(reader_->has_hours_over(over))) {
        changes.hours_until = over;
    }
    auto const again = changes.tell_again.size();
    if (again > 0 || !changes.lost_sites.empty() || !changes.facts.empty() || changes.hours_until) {
        keep(std::move(changes));
    }
    for (auto& probe : changed) {
        told_probes_.insert_or_assign(probe.id, std::move(probe));
    }
    sites_ = std::move(ours);
    show_claims(again);
}

void Feed::show_claims(std::size_t told_again) {
    std::vector<std::string> refused;
    std::set_difference(all_sites_.begin(), all_sites_.end(), sites_.begin(), sites_.end(),
                        std::back_inserter(refused));
    std::lock_guard const lock{mutex_};
    if (refused != shown_.refused_sites && !refused.empty()) {
        around_.log->error(
            "event=hub_site_refused sites={} why=\"another daemon has them at the hub; its administrator can "
            "hand them "
            "over\"",
            fmt::join(refused, ","));
    }
    shown_.refused_sites = std::move(refused);
    shown_.retold += told_again;
    shown_.last_contact = around_.clock.now();
}

// What of a probe changes without the store: its configuration, and how it stands after a start.
std::vector<document::Probe> Feed::changed_probes(std::vector<std::string> const& ours) const {
    std::vector<document::Probe> changed;
    for (auto const& configured : around_.fleet->probes) {
        if (!holds(ours, around_.fleet->sites[configured.site].id)) {
            continue;
        }
        auto now = around_.backend.probe(configured.id);
        if (!now) {
            continue;
        }
        auto const told = told_probes_.find(configured.id);
        bool const same = told != told_probes_.end() && told->second.condition == now->condition &&
                          told->second.service_state == now->service_state &&
                          told->second.open_ticket == now->open_ticket && told->second.serial == now->serial;
        if (!same) {
            changed.push_back(std::move(*now));
        }
    }
    return changed;
}

}  // namespace probekeeper::hub
