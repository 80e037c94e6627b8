// From what the store holds to the present: at a start, and where a service record comes late.
#include <algorithm>
#include <cstring>
#include <set>
#include <stdexcept>

#include "diagnosis/site.h"
#include "live/keeper.h"
#include "pipeline/setup_of.h"

namespace probekeeper::live {
namespace {

// Shorter than this the daemon was not missed: a restart or a reload, which no limit counts.
constexpr Millis shortest_downtime{300'000};
constexpr Millis least_delay{10'000};
// The past is diagnosed faster than it is written: what is found is handed on in such pieces, a few MB each,
// and no more than so many of them wait.
constexpr std::size_t diagnoses_at_once = 500;
constexpr std::size_t pieces_waiting_most = 8;

Millis delay_of(fleet::Fleet const& fleet, std::vector<fleet::ProbeIndex> const& probes) {
    double slowest_s = 0.0;
    for (auto const probe : probes) {
        slowest_s = std::max(slowest_s, fleet.probes[probe].poll_s);
    }
    return std::max(least_delay, seconds(2.0 * slowest_s));
}

std::vector<std::string> ids_of(fleet::Fleet const& fleet, std::vector<fleet::ProbeIndex> const& probes) {
    std::vector<std::string> ids;
    for (auto const probe : probes) {
        ids.push_back(fleet.probes[probe].id);
    }
    return ids;
}

std::string text_of(std::vector<std::byte> const& bytes) {
    return {reinterpret_cast<char const*>(bytes.data()), bytes.size()};
}

}  // namespace

void Keeper::keep_in_book(std::vector<service::KeptRecord> const& stored) {
    bool moved = false;
    std::set<fleet::SiteIndex> sites;
    for (auto const& kept : stored) {
        auto const site = fleet_->probes[*fleet_->find_probe(kept.record.probe)].site;
        book_.keep(site, kept);
        sites.insert(site);
        moved = moved || service::moves_instruments(kept.record);
    }
    for (auto const site : sites) {
        sites_[site]->pipeline.know_records(book_.of(site));
    }
    if (moved) {
        instruments_.emplace(pipeline::configured_serials(*fleet_), book_.all());
        show_instruments();
    }
    ++history_version_;
}

void Keeper::show_instruments() {
    for (auto& site : sites_) {
        site->pipeline.know(*instruments_);
    }
    for (fleet::ProbeIndex probe = 0; probe < fleet_->probes.size(); ++probe) {
        board_.show_serial(probe, instruments_->serial_now(fleet_->probes[probe].id));
    }
}

void Keeper::open_sites() {
    auto const newest = must(reader_.newest_before(begun_));
    out_of_use_ = must(reader_.out_of_use());
    book_ = RecordBook{reader_, *fleet_};
    instruments_.emplace(pipeline::configured_serials(*fleet_), book_.all());
    show_instruments();  // asked for already, and known from records alone
    std::vector<std::optional<Timestamp>> first_seen(fleet_->probes.size());
    for (auto const& known : must(reader_.probes())) {
        if (auto const probe = fleet_->find_probe(known.id)) {
            first_seen[*probe] = known.first_seen;
        }
    }
    for (fleet::SiteIndex site = 0; site < fleet_->sites.size(); ++site) {
        open_site(site, first_seen);
        turned();
        std::scoped_lock const lock{mutex_};
        if (stopping_) {
            throw StoppedEarly{"stopped before all sites had caught up"};
        }
    }
    note_downtime(newest);
    withdraw_removed();
    for (fleet::ProbeIndex probe = 0; probe < fleet_->probes.size(); ++probe) {
        told_.push_back(board_.probe(probe).condition);
    }
    show_conditions();
    feeding_ = Feeding::present;
    tell_store();
    // Checkpoints lie evenly in the time between two of a site: all together they are as large as all that is
    // known.
    auto const now = std::chrono::steady_clock::now();
    for (std::size_t i = 0; i < sites_.size(); ++i) {
        sites_[i]->checkpointed = now - options_.checkpoint_every * i / sites_.size();
    }
    log_->info("event=caught_up sites={} probes={}", fleet_->sites.size(), fleet_->probes.size());
}

// To those who keep them, as they stand at the start.
void Keeper::show_conditions() {
    for (auto const& site : sites_) {
        for (auto const probe : site->pipeline.probes()) {
            if (notices_) {
                auto const verdict = site->pipeline.verdict(probe);
                notices_->show_condition(probe, verdict.condition, verdict.at);
            }
        }
    }
}

service::TicketBook Keeper::book_of(std::string const& site) {
    std::vector<service::Ticket> tickets;
    store::TicketFilter filter;
    filter.site = site;
    store::PageRequest request{1000, std::nullopt};
    do {
        auto page = must(reader_.tickets(filter, request));
        std::move(page.items.begin(), page.items.end(), std::back_inserter(tickets));
        request.after = page.next;
    } while (request.after);
    auto const next = must(reader_.highest_ticket_number(site)) + 1;
    return {site, next, std::move(tickets)};
}

// Of a start, a probe that has been polled meanwhile shows its newest already; and to look for it among the
// newest stored readings of ten thousand others takes as long as those are many.
void Keeper::show_newest(fleet::SiteIndex index, bool polled_too) {
    for (auto const probe : sites_[index]->pipeline.probes()) {
        if (!polled_too && fleet_->probes[probe].line && board_.newest_reading(probe)) {
            continue;
        }
        if (auto const newest = must(reader_.newest_reading(fleet_->probes[probe].id))) {
            board_.show_reading(probe, *newest);
        }
    }
}

void Keeper::open_site(fleet::SiteIndex index, std::vector<std::optional<Timestamp>> const& first_seen) {
    auto const& id = fleet_->sites[index].id;
    sites_.push_back(std::make_unique<Site>(
        Site{pipeline::SitePipeline{*fleet_, index, book_of(id), *this},
             pipeline::Watermark{delay_of(*fleet_, pipeline::probes_of(*fleet_, index))}}));
    auto& site = *sites_.back();
    for (auto const& [number, ticket] : site.pipeline.book().tickets()) {
        if (notices_) {
            notices_->knows(ticket);
        }
        if (!service::is_finished(ticket.state)) {
            board_.show_ticket(ticket);
        }
    }
    for (auto const probe : site.pipeline.probes()) {
        if (first_seen[probe]) {
            site.pipeline.expect_from(probe, *first_seen[probe]);
        }
    }
    static_cast<void>(
        site.pipeline.out_of_use(out_of_use_));  // before anything is fed: nothing to make again
    site.pipeline.know(*instruments_);
    site.pipeline.know_records(book_.of(index));
    auto position = Timestamp::min();
    auto const checkpoint = must(reader_.checkpoint(id, std::to_string(diagnosis::algorithm_version)));
    if (checkpoint && site.pipeline.rewind(text_of(checkpoint->state))) {
        position = checkpoint->position;
    } else {
        // Not the newest reading of all: to find that takes long where much has come since the daemon began.
        auto before = must(reader_.stream(ids_of(*fleet_, site.pipeline.probes()), from_unix_ms(0), begun_));
        if (must(before.next())) {
            log_->info("event=rebuild site={} why=\"no checkpoint of this version\"", id);
        }
    }
    show_newest(index, /*polled_too=*/false);
    catch_up(index, position, begun_, book_.in_force(index, position));
    for (auto const probe : site.pipeline.probes()) {
        weighed(probe, site.pipeline.verdict(probe), false);
    }
}

// Feeds what lies in (position, until). Records are those after `position`.
void Keeper::catch_up(fleet::SiteIndex index, Timestamp position, Timestamp until,
                      std::vector<service::Record> const& records) {
    auto& site = *sites_[index];
    for (auto const& record : records) {
        static_cast<void>(site.pipeline.record(record));  // none lies before what has been fed
    }
    auto downtimes = must(reader_.downtimes(position));
    auto downtime = downtimes.begin();
    auto const ids = ids_of(*fleet_, site.pipeline.probes());
    auto const from = position == Timestamp::min() ? from_unix_ms(0) : position + Millis{1};
    auto stream = must(reader_.stream(ids, from, until));
    auto last = position;
    std::uint64_t fed = 0;
    auto const excuse_next = [&] {
        site.pipeline.advance(downtime->stopped_at);
        site.pipeline.excuse(downtime->stopped_at, downtime->started_at);
        ++downtime;
    };
    while (auto const item = must(stream.next())) {
        while (downtime != downtimes.end() && item->reading.time > downtime->stopped_at) {
            excuse_next();
        }
        // Before the first reading of another day: all readings up to `last` are in it then, whichever probes
        // share that instant.
        auto const day = std::chrono::floor<std::chrono::days>(item->reading.time);
        if (last != position && std::chrono::floor<std::chrono::days>(last) != day) {
            checkpoint(index, last);
        }
        site.pipeline.take(site.pipeline.probes()[item->place], item->reading);
        last = item->reading.time;
        if (changes_.diagnoses.size() >= diagnoses_at_once) {
            tell_store();
            keep_pace();
        }
        if (++fed % 1'000 == 0) {
            turned();
        }
    }
    while (downtime != downtimes.end() && downtime->stopped_at < until) {
        excuse_next();  // nobody has read since
    }
    site.watermark.start_at(std::max(site.watermark.mark(), last));
}

// Lets the writer catch up. On a failing disk it does not wait: the oldest findings are dropped then, and
// counted.
void Keeper::keep_pace() {
    if (writer_.state().jobs_waiting > pieces_waiting_most) {
        static_cast<void>(writer_.flush().get());
    }
}

// The time since the newest reading before the daemon began is its own, not the probes'.
void Keeper::note_downtime(std::optional<Timestamp> newest) {
    if (!newest) {  // a new store that took over what was learned from a damaged one, without its readings
        for (auto const& site : sites_) {
            newest = site->pipeline.now() != Timestamp{}
                         ? std::max(newest, std::optional{site->pipeline.now()})
                         : newest;
        }
    }
    if (!newest || begun_ - *newest < shortest_downtime) {
        return;
    }
    changes_.downtimes.push_back({*newest, begun_});
    for (auto& site : sites_) {
        site->pipeline.advance(*newest);
        site->pipeline.excuse(*newest, begun_);
    }
    log_->info("event=downtime from={} to={}", to_rfc3339(*newest), to_rfc3339(begun_));
}

// Tickets of probes that are no longer configured end; their history stays.
void Keeper::withdraw_removed() {
    store::TicketFilter filter;
    filter.unfinished_only = true;
    store::PageRequest request{1000, std::nullopt};
    do {
        auto page = must(reader_.tickets(filter, request));
        for (auto const& left : page.items) {
            if (fleet_->find_probe(left.probe)) {
                continue;
            }
            auto const site = fleet_->find_site(left.site);
            // Of a site that is gone there is no pipeline; its book is opened for this alone.
            auto orphaned = site ? std::nullopt : std::optional{book_of(left.site)};
            auto& owner = site ? sites_[*site]->pipeline.book() : *orphaned;
            for (auto const& withdrawn :
                 owner.withdraw_probe(left.probe, begun_, "the probe is no longer configured")) {
                ticket(withdrawn);
            }
        }
        request.after = page.next;
    } while (request.after);
}

// Makes the diagnosis of a site again from before `from`, with all records known now.
void Keeper::remake(fleet::SiteIndex index, Timestamp from) {
    auto& site = *sites_[index];
    auto const& id = fleet_->sites[index].id;
    tell_store();
    must(writer_.flush().get());
    auto position = Timestamp::min();
    auto const version = std::to_string(diagnosis::algorithm_version);
    auto const checkpoint = must(reader_.checkpoint(id, version, from - Millis{1}));
    if (checkpoint && site.pipeline.rewind(text_of(checkpoint->state))) {
        position = checkpoint->position;
    } else {
        static_cast<void>(site.pipeline.rewind({}));
    }
    changes_.rewinds.push_back({id, position == Timestamp::min() ? from_unix_ms(0) : position + Millis{1}});
    site.pipeline.hold_tickets(true);
    feeding_ = Feeding::past_again;
    auto const mark = site.watermark.mark();
    catch_up(index, position, mark + Millis{1}, book_.in_force(index, position));
    site.pipeline.advance(mark);
    site.pipeline.settle_tickets();
    feeding_ = Feeding::present;
    for (auto const probe : site.pipeline.probes()) {
        auto const verdict = site.pipeline.verdict(probe);
        board_.show_diagnosis(probe, verdict, written(probe, verdict));
        tell_condition(probe, verdict.condition, mark);
    }
    show_newest(index, /*polled_too=*/true);  // who stored a reading may have shown it on the board of the
                                              // configuration before
    tell_store();
    log_->info("event=diagnosis_remade site={} from={}", id, to_rfc3339(from));
}

}  // namespace probekeeper::live
