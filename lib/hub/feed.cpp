#include "hub/feed.h"

#include <poll.h>
#include <spdlog/fmt/fmt.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <stdexcept>
#include <system_error>

#include "hub/schema.h"

namespace probekeeper::hub {

using postgres::Error;
using postgres::Fault;

namespace {

constexpr std::size_t facts_most = 500, hours_most = 50;  // read at once; bytes end a batch sooner
constexpr std::size_t steps_most = 100;
constexpr Millis under_way{120'000};
constexpr std::int64_t facts_waiting_few = 200;  // then more of the past may join them

// The hub's row of this daemon, or the ownership of a site, is not what it was: synchronise again.
struct Superseded : std::runtime_error {
    using std::runtime_error::runtime_error;
};
// The daemon stops, its store fails, or it cannot say just now.
struct Postponed : std::runtime_error {
    using std::runtime_error::runtime_error;
};

bool holds(std::vector<std::string> const& sites, std::string const& site) {
    return std::binary_search(sites.begin(), sites.end(), site);
}

}  // namespace

// --- the bell

Bell::Bell() : descriptor_{::eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC)} {
    if (descriptor_ < 0) {
        throw std::system_error{errno, std::generic_category(), "eventfd"};
    }
}
Bell::~Bell() {
    ::close(descriptor_);
}
void Bell::ring() {
    std::uint64_t const once = 1;
    static_cast<void>(!::write(descriptor_, &once, sizeof once));  // full: it rings already
}
void Bell::silence() {
    std::uint64_t rung = 0;
    static_cast<void>(!::read(descriptor_, &rung, sizeof rung));
}

// --- from outside

Feed::Options Feed::options_of(fleet::HubSettings const& settings) {
    Options options;
    options.connection.conninfo = settings.postgresql;
    options.connection.password_file = settings.password_file.value_or("");
    options.connection.tls_off = settings.tls_off;
    options.kilobits_per_s = settings.kilobits_per_s;
    return options;
}

Feed::Feed(Options options, live::Surroundings around)
    : options_{std::move(options)},
      around_{std::move(around)},
      errands_{[this] { return around_.clock.now(); }, around_.backend, around_.log},
      facts_at_once_{facts_most},
      // Two seconds' worth may go at once: a batch is about so large, and does not hold up others on a thin
      // line.
      bucket_{options_.kilobits_per_s * 125.0, options_.kilobits_per_s * 250.0, Clock::now()} {
    options_.connection.interrupt = stop_.descriptor();
    auto const two_seconds = static_cast<std::size_t>(options_.kilobits_per_s * 250.0);
    options_.batch_bytes_most = std::min(options_.batch_bytes_most, std::max<std::size_t>(two_seconds, 4096));
    for (auto const& site : around_.fleet->sites) {
        all_sites_.push_back(site.id);  // sorted, as the fleet's are
    }
    thread_ = std::thread{[this] { work(); }};
}

Feed::~Feed() {
    stop_.ring();
    thread_.join();
}

void Feed::add_health(document::Health& health) const {
    std::lock_guard const lock{mutex_};
    document::HubHealth hub;
    switch (shown_.state) {
        case State::connecting:
            hub.state = "connecting";
            break;
        case State::connected:
            hub.state = "connected";
            break;
        case State::catching_up:
            hub.state = "catching_up";
            break;
        case State::unreachable:
            hub.state = "unreachable";
            break;
        case State::refused:
            hub.state = "refused";
            break;
    }
    hub.waiting = static_cast<std::uint64_t>(shown_.backlog.facts);
    hub.hours_waiting = static_cast<std::uint64_t>(shown_.backlog.hours);
    hub.oldest = shown_.backlog.oldest;
    hub.last_contact = shown_.last_contact;
    if (shown_.state == State::refused) {
        health.warnings.emplace_back("the hub refuses this daemon; the log says why");
    }
    if (!shown_.refused_sites.empty()) {
        health.warnings.push_back(
            fmt::format("at the hub another daemon has {}: its administrator can hand it over",
                        fmt::join(shown_.refused_sites, ", ")));
    }
    if (shown_.skipped > 0) {
        health.warnings.emplace_back(
            "the hub's database took some of what it was told for wrong; the log says what");
    }
    health.hub = std::move(hub);
}

void Feed::write_metrics(api::MetricsText& out) const {
    using Type = api::MetricsText::Type;
    std::lock_guard const lock{mutex_};
    auto const number = [](auto n) { return static_cast<double>(n); };
    out.family("hub_connected", Type::gauge, "", "1 while the hub's database is there");
    out.sample({}, shown_.state == State::connected || shown_.state == State::catching_up ? 1.0 : 0.0);
    out.family("hub_waiting", Type::gauge, "", "What the hub has yet to be told");
    out.sample({{"what", "facts"}}, number(shown_.backlog.facts));
    out.sample({{"what", "hours"}}, number(shown_.backlog.hours));
    out.family("hub_sent_bytes", Type::counter, "bytes", "Sent to the hub's database");
    out.sample({}, number(shown_.bytes));
    out.family("hub_rows", Type::counter, "", "Rows told to the hub");
    out.sample({}, number(shown_.rows));
    out.family("hub_batches", Type::counter, "", "Transactions in which they were told");
    out.sample({}, number(shown_.batches));
    out.family("hub_steps", Type::counter, "", "Steps of the hub's taken here");
    out.sample({}, number(shown_.steps));
    out.family("hub_connections", Type::counter, "", "Connections made to the hub's database");
    out.sample({}, number(shown_.reconnects));
    out.family("hub_told_again", Type::counter, "",
               "Times that sites were told to the hub from the beginning");
    out.sample({}, number(shown_.retold));
    out.family("hub_skipped", Type::counter, "", "What the hub's database would not take");
    out.sample({}, number(shown_.skipped));
}

// --- the thread

void Feed::work() {
    auto delay = options_.retry_first;
    while (true) {
        auto const began = Clock::now();
        try {
            serve();
        } catch (Error const& error) {
            if (error.fault() == Fault::interrupted) {
                break;
            }
            failed(error.what(), error.fault() == Fault::lost || error.fault() == Fault::again
                                     ? State::unreachable
                                     : State::refused);
        } catch (Superseded const& error) {
            around_.log->warn("event=hub_superseded why=\"{}\"", error.what());
        } catch (Postponed const& error) {
            around_.log->debug("event=hub_postponed why=\"{}\"", error.what());
        } catch (Teller::NotNow const&) {  // a reload: again in a moment
        } catch (store::Failed const& error) {
            around_.log->warn("event=hub_postponed why=\"{}\"", error.what());
        } catch (std::exception const& error) {
            around_.log->error("event=hub_failed why=\"{}\"", error.what());
        }
        connection_.reset();
        reader_.reset();
        delay = Clock::now() - began > options_.retry_most ? options_.retry_first
                                                           : std::min(delay * 2, options_.retry_most);
        if (!wait_for_retry(delay / 2)) {
            break;
        }
    }
    if (connection_) {
        connection_.reset();
    }
}

// Between half and one and a half of `delay`, so that hundreds of daemons do not come back at once. False:
// stop.
bool Feed::wait_for_retry(std::chrono::milliseconds delay) {
    auto const part = std::uniform_real_distribution<>{0.5, 1.5}(random_);
    pollfd stopped{stop_.descriptor(), POLLIN, 0};
    auto const until = Clock::now() + std::chrono::duration_cast<Clock::duration>(delay * part);
    while (true) {
        auto const left = std::chrono::ceil<std::chrono::milliseconds>(until - Clock::now());
        if (left.count() <= 0) {
            return true;
        }
        if (::poll(&stopped, 1, static_cast<int>(left.count())) > 0) {
            return false;
        }
    }
}

// The change is told, not each repetition.
void Feed::failed(std::string const& why, State state) {
    std::lock_guard const lock{mutex_};
    if (shown_.state != state || shown_.problem != why) {
        if (state == State::refused) {
            around_.log->warn("event=hub_refused why=\"{}\"", why);
        } else {
            around_.log->warn("event=hub_unreachable why=\"{}\"", why);
        }
    }
    shown_.state = state;
    shown_.problem = why;
}

void Feed::serve() {
    reader_.emplace(store::must(store::Reader::open(around_.store)));
    show_backlog();
    connection_.emplace(postgres::Connection::open(options_.connection));
    require_layout(*connection_);
    connection_->listen(steps_channel);
    unconfirmed_ = false;
    synchronise();
    claim_sites();
    {
        std::lock_guard const lock{mutex_};
        ++shown_.reconnects;
        shown_.state = State::catching_up;
        shown_.problem.clear();
    }
    around_.log->info("event=hub_connected daemon={} tls={}", daemon_,
                      connection_->encrypted() ? "yes" : "no");
    next_poll_ = Clock::now();
    while (true) {
        bell_.silence();
        bool const told = tell_some();
        if (Clock::now() >= next_poll_) {
            bool const more = take_steps();
            next_poll_ = more ? Clock::now() : Clock::now() + options_.poll_every;
            continue;  // outcomes go out at once
        }
        if (Clock::now() >= next_claim_) {
            claim_sites();
        }
        if (!told && !retell_more()) {
            confirm();
            std::unique_lock lock{mutex_};
            shown_.state = State::connected;
            lock.unlock();
            wait_a_little();
        }
    }
}

void Feed::keep(store::FeedChanges changes) {
    store::Changes all;
    all.feed = std::move(changes);
    auto const kept = around_.writer.now(std::move(all)).get();
    if (!kept) {
        throw Postponed{kept.error().message};
    }
}

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
    Timestamp const over = std::chrono::floor<std::chrono::hours>(around_.clock.now() - under_way);
    if (over > hours_closed_) {
        changes.hours_until = over;
    }
    auto const again = changes.tell_again.size();
    if (again > 0 || !changes.lost_sites.empty() || !changes.facts.empty() || changes.hours_until) {
        keep(std::move(changes));
    }
    hours_closed_ = over;
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

// --- telling

// True where there was something.
bool Feed::tell_some() {
    auto const wait = bucket_.wait(Clock::now());
    if (wait.count() > 0) {
        if (auto const told = connection_->wait(wait); told && told->channel == steps_channel) {
            next_poll_ = {};
        }
        return true;
    }
    Batch batch;
    auto const until = fill(batch, *reader_);
    if (until == sent_) {
        return false;
    }
    store::FeedChanges changes;
    changes.told = sent_;
    changes.trying = until;
    keep(std::move(changes));
    unconfirmed_ = true;
    try {
        send(batch, until);
    } catch (Error const& error) {
        if (error.fault() != Fault::wrong && error.fault() != Fault::conflict) {
            throw;
        }
        skip_or_narrow(error, until);
        return true;
    }
    announce(batch);
    return true;
}

// The facts that come next; where there are none, hours. Gives how far they go.
store::FeedPosition Feed::fill(Batch& batch, store::Reader& reader) {
    auto until = sent_;
    Teller teller{*around_.fleet, reader, around_.backend};
    store::must(reader.at_once([&]() -> store::Result<void> {
        for (auto const& waiting : store::must(reader.waiting_facts(sent_.facts, facts_at_once_))) {
            if (holds(sites_, waiting.fact.site)) {
                teller.tell(waiting.fact, batch);
            }
            until.facts = waiting.seq;
            if (batch.bytes() >= options_.batch_bytes_most) {
                break;
            }
        }
        if (until.facts != sent_.facts) {
            return {};
        }
        for (auto const& waiting :
             store::must(reader.waiting_hours(sent_.hours, std::min(hours_most, facts_at_once_)))) {
            if (holds(sites_, waiting.site)) {
                teller.tell(waiting, batch);
            }
            until.hours = waiting.seq;
            if (batch.bytes() >= options_.batch_bytes_most) {
                break;
            }
        }
        return {};
    }));
    return until;
}

void Feed::send(Batch const& batch, store::FeedPosition const& until) {
    auto const before = connection_->sent();
    postgres::Transaction transaction{*connection_};
    auto const ours = connection_->run(
        "SELECT site_id FROM probekeeper.sites WHERE daemon = $1 AND site_id = ANY ($2) FOR SHARE",
        {daemon_, sites_});
    if (ours.size() != sites_.size()) {
        throw Superseded{"a site was handed over to another daemon"};
    }
    batch.write(*connection_);
    auto const moved = connection_->run(
        "UPDATE probekeeper.feeds SET seq = $2, summary_seq = $3, heard_at = now() WHERE daemon = $1 AND seq "
        "= $4 AND "
        "summary_seq = $5",
        {daemon_, until.facts, until.hours, sent_.facts, sent_.hours});
    if (moved.affected() != 1) {
        throw Superseded{"another process told the hub as this daemon: is a copy of its store at work?"};
    }
    transaction.commit();
    sent_ = until;
    auto const bytes = connection_->sent() - before;
    bucket_.take(static_cast<double>(bytes), Clock::now());
    if (facts_at_once_ < facts_most) {
        facts_at_once_ = std::min(facts_most, facts_at_once_ * 2);
    }
    std::lock_guard const lock{mutex_};
    shown_.bytes += bytes;
    shown_.rows += batch.rows();
    ++shown_.batches;
    shown_.last_contact = around_.clock.now();
}

// The database takes something for wrong: found out by telling one at a time, and then left out, for all else
// waits.
void Feed::skip_or_narrow(Error const& error, store::FeedPosition const& until) {
    if (facts_at_once_ > 1) {
        facts_at_once_ = 1;
        return;
    }
    around_.log->error("event=hub_skipped fact={} hour={} why=\"{}\"", until.facts, until.hours,
                       error.what());
    {
        std::lock_guard const lock{mutex_};
        ++shown_.skipped;
    }
    send(Batch{}, until);
}

// In transactions of their own, see schema.h; one that is lost is found by polling.
void Feed::announce(Batch const& batch) {
    if (batch.has(Kind::event)) {
        connection_->run("SELECT pg_notify($1, '')", {events_channel});
    }
    if (batch.has(Kind::outcome)) {
        connection_->run("SELECT pg_notify($1, '')", {outcomes_channel});
    }
}

// The store may forget what was told, soon.
void Feed::confirm() {
    if (unconfirmed_) {
        unconfirmed_ = false;
        store::FeedChanges changes;
        changes.told = changes.trying = sent_;
        store::Changes all;
        all.feed = std::move(changes);
        around_.writer.later(std::move(all));
    }
}

// More of the past where the present has been told.
bool Feed::retell_more() {
    auto const backlog = store::must(reader_->feed_backlog());
    if (backlog.facts > facts_waiting_few || !store::must(reader_->retells())) {
        return false;
    }
    store::FeedChanges changes;
    changes.told = changes.trying = sent_;
    changes.retell = 10;
    unconfirmed_ = false;
    keep(std::move(changes));
    return true;
}

void Feed::wait_a_little() {
    show_backlog();
    auto const now = Clock::now();
    auto const until = std::min(next_poll_, next_claim_);
    auto const at_most = std::chrono::ceil<std::chrono::milliseconds>(until - now);
    auto told = connection_->wait(std::max(at_most, std::chrono::milliseconds{0}), bell_.descriptor());
    if (!told) {  // what was committed now may be the first of several
        told = connection_->wait(std::min(options_.gather, std::max(at_most, std::chrono::milliseconds{0})));
    }
    while (told) {
        if (told->payload.empty() || holds(sites_, told->payload)) {
            next_poll_ = {};
        }
        told = connection_->wait(std::chrono::milliseconds{0});
    }
}

void Feed::show_backlog() {
    auto const backlog = reader_->feed_backlog();
    std::lock_guard const lock{mutex_};
    if (backlog) {
        shown_.backlog = *backlog;
    }
}

// --- steps

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

live::MakeCompanion make_feed() {
    return [](live::Surroundings const& around) -> std::unique_ptr<live::Companion> {
        if (!around.fleet->hub) {
            return nullptr;
        }
        return std::make_unique<Feed>(Feed::options_of(*around.fleet->hub), around);
    };
}

}  // namespace probekeeper::hub
