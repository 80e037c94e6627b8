// What is told, and how.
#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "hub/feed.h"
#include "hub/feed_ends.h"
#include "hub/schema.h"

namespace probekeeper::hub {

using postgres::Error;
using postgres::Fault;

namespace {

constexpr std::size_t hours_most = 50;           // read at once; bytes end a batch sooner
constexpr std::int64_t facts_waiting_few = 200;  // then more of the past may join them
constexpr std::size_t retold_at_once = 10;

}  // namespace

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
    auto const sites = batch.sites();
    auto const ours = connection_->run(
        "SELECT site_id FROM probekeeper.sites WHERE daemon = $1 AND site_id = ANY ($2) FOR SHARE",
        {daemon_, sites});
    if (ours.size() != sites.size()) {
        throw Superseded{"a site was handed over to another daemon"};
    }
    batch.write(*connection_);
    auto const moved = connection_->run(
        "UPDATE probekeeper.feeds SET seq = $2, summary_seq = $3, heard_at = now() "
        "WHERE daemon = $1 AND seq = $4 AND summary_seq = $5",
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
    changes.retell = retold_at_once;
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

}  // namespace probekeeper::hub
