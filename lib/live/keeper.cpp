#include "live/keeper.h"

#include <pthread.h>

#include <algorithm>
#include <span>

#include "base/text.h"

#include "diagnosis/site.h"
#include "document/diagnosis.h"
#include "document/ticket.h"
#include "document/write.h"
#include "live/kept.h"
#include "live/tell.h"

namespace probekeeper::live {
namespace {

// How late the newest of a site may be handed on: half of what an event may take to reach who listens.
constexpr std::chrono::milliseconds look_every{50};
constexpr Millis stale_longest = std::chrono::minutes{1};
constexpr std::chrono::milliseconds outages_every{500};
constexpr std::size_t checkpoints_at_once = 8;      // some 16 KiB a probe
constexpr std::chrono::seconds try_again_after{5};  // where the store could not be read or written

api::Refusal unavailable(std::string message) {
    return {api::Refusal::Kind::unavailable, std::move(message), {}, {}};
}

api::Refusal refusal_of(service::Refused const& refused) {
    api::Refusal refusal;
    refusal.message = refused.message;
    switch (refused.why) {
        case service::Refused::Why::unknown_ticket:
            refusal.kind = api::Refusal::Kind::not_found;
            break;
        case service::Refused::Why::does_not_fit:
            refusal.kind = api::Refusal::Kind::conflict;
            break;
        case service::Refused::Why::bad_value:
            refusal.kind = api::Refusal::Kind::invalid;
            break;
    }
    for (auto const step : refused.fitting) {
        refusal.fitting.emplace_back(service::to_word(step));
    }
    return refusal;
}

}  // namespace

Keeper::Keeper(std::shared_ptr<fleet::Fleet const> fleet, Board& board, store::Writer& writer,
               store::Reader reader, Arrivals& arrivals, StampClock const& clock, Timestamp begun,
               std::shared_ptr<spdlog::logger> log, Options options)
    : fleet_{std::move(fleet)},
      board_{board},
      writer_{writer},
      reader_{std::move(reader)},
      arrivals_{arrivals},
      clock_{clock},
      begun_{begun},
      log_{std::move(log)},
      options_{std::move(options)} {}

Keeper::~Keeper() {
    stop();
}

void Keeper::start() {
    arrivals_.call([this] {
        {
            std::scoped_lock const lock{mutex_};
            came_ = true;
        }
        wake_.notify_all();
    });
    thread_ = std::thread{[this] { work(); }};
}

void Keeper::stop() {
    if (thread_.joinable()) {
        arrivals_.call({});
    }
    {
        std::scoped_lock const lock{mutex_};
        stopping_ = true;
    }
    wake_.notify_all();
    if (thread_.joinable()) {
        thread_.join();
    }
}

void Keeper::reading(fleet::ProbeIndex probe, Reading const& reading) {
    std::scoped_lock const lock{mutex_};
    readings_.push_back({probe, reading});
    if (readings_.size() > options_.readings_waiting_most) {
        readings_.pop_front();
        ++queue_.dropped;
    }
}

void Keeper::remake_arrived(bool at_once) {
    if (!at_once && std::chrono::steady_clock::now() < remake_from_) {
        return;
    }
    for (fleet::SiteIndex site = 0; site < sites_.size(); ++site) {
        remake_arrived(site, at_once);
    }
}

// Readings beyond the site's mark are not due yet: they wait for it, together with what comes meanwhile.
void Keeper::remake_arrived(fleet::SiteIndex site, bool at_once) {
    auto const& id = fleet_->sites[site].id;
    auto const came = arrivals_.take(id);
    if (!came) {
        return;
    }
    auto const mark = sites_[site]->watermark.mark();
    if (!at_once && came->last > mark && mark - came->first <= stale_longest) {
        arrivals_.came(id, *came);
        return;
    }
    if (came->last > mark) {
        arrivals_.came(id, {std::max(came->first, mark + Millis{1}), came->last});
    }
    if (came->first <= mark) {
        remake_soon(site, came->first);
    }
}

// Now, or when the store can be read and written again: diagnosis goes on with what it knows until then.
void Keeper::remake_soon(fleet::SiteIndex site, Timestamp from) {
    try {
        remake(site, from);
    } catch (store::Failed const& failed) {
        if (!store::may_pass(failed.fault())) {
            throw;
        }
        feeding_ = Feeding::present;
        log_->error("event=diagnosis_not_remade site={} why=\"{}\"", fleet_->sites[site].id, failed.what());
        remake_from_ = std::chrono::steady_clock::now() + try_again_after;
        arrivals_.came(fleet_->sites[site].id, {from, sites_[site]->watermark.mark()});
    }
}

// Readings wait meanwhile.
void Keeper::open_sites_when_readable() {
    for (;;) {
        try {
            open_sites();
            return;
        } catch (store::Failed const& failed) {
            if (!store::may_pass(failed.fault())) {
                throw;
            }
            log_->error("event=not_caught_up why=\"{}\"", failed.what());
        }
        sites_.clear();
        told_.clear();
        changes_ = {};
        turned();
        std::unique_lock lock{mutex_};
        if (wake_.wait_for(lock, try_again_after, [this] { return stopping_; })) {
            throw StoppedEarly{"stopped before the store could be read"};
        }
    }
}

Keeper::Queue Keeper::queue() const {
    std::scoped_lock const lock{mutex_};
    auto queue = queue_;
    queue.waiting = readings_.size();
    return queue;
}

void Keeper::work() {
    pthread_setname_np(pthread_self(), "keeper");  // for whoever looks at the daemon's threads
    try {
        open_sites_when_readable();
        bool stopping = false;
        while (!stopping) {
            std::deque<Item> readings;
            std::deque<Task> tasks;
            take_waiting(readings, tasks);
            feed_live(readings);
            for (auto const& task : tasks) {
                task();
            }
            remake_arrived(/*at_once=*/false);
            checkpoint_older_than(options_.checkpoint_every);
            auto const now = std::chrono::steady_clock::now();
            if (now - looked_ > outages_every) {
                look_for_outages();
                looked_ = now;
            }
            tell_store();
            turned();
            std::scoped_lock const lock{mutex_};
            stopping = stopping_ && tasks_.empty();
        }
        remake_arrived(/*at_once=*/true);
        checkpoint_older_than({});
        tell_store();
    } catch (StoppedEarly const& stopped) {
        log_->info("event=not_caught_up why=\"{}\"", stopped.what());
    } catch (std::exception const& error) {
        log_->critical("event=keeper_failed why=\"{}\"", error.what());
        auto const* const failed = dynamic_cast<store::Failed const*>(&error);
        if (failed != nullptr && failed->fault() == store::Fault::corrupt && options_.damaged) {
            options_.damaged(failed->what());
        }
    }
    std::scoped_lock const lock{mutex_};
    ended_ = true;
    tasks_.clear();  // breaks the promises: whoever waits is told
}

void Keeper::turned() const {
    if (options_.turned) {
        options_.turned();
    }
}

void Keeper::take_waiting(std::deque<Item>& readings, std::deque<Task>& tasks) {
    std::unique_lock lock{mutex_};
    wake_.wait_for(lock, look_every, [this] { return stopping_ || came_ || !tasks_.empty(); });
    came_ = false;
    readings.swap(readings_);
    tasks.swap(tasks_);
}

void Keeper::feed_live(std::deque<Item>& readings) {
    std::uint64_t late = 0;
    for (auto const& item : readings) {
        late += sites_[fleet_->probes[item.probe].site]->watermark.push(item.probe, item.reading) ? 0U : 1U;
    }
    auto const now = clock_.now();
    for (auto& site : sites_) {
        site->watermark.release(now, [&](fleet::ProbeIndex probe, Reading const& reading) {
            site->pipeline.take(probe, reading);
        });
        site->pipeline.advance(site->watermark.mark());
    }
    if (late != 0) {
        std::scoped_lock const lock{mutex_};
        queue_.late += late;
    }
}

void Keeper::look_for_outages() {
    if (notices_) {
        auto found = notices_->about_outages(board_);
        std::move(found.begin(), found.end(), std::back_inserter(changes_.notices));
    }
}

std::vector<store::Notice> Keeper::notices_about(std::vector<service::Ticket> const& tickets) {
    std::vector<store::Notice> notices;
    for (auto const& ticket : tickets) {
        auto made = notices_ ? notices_->about(ticket) : std::vector<store::Notice>{};
        std::move(made.begin(), made.end(), std::back_inserter(notices));
    }
    return notices;
}

// The book is as it was before these tickets were changed.
void Keeper::not_told(service::TicketBook const& book, std::vector<service::Ticket> const& tickets) {
    for (auto const& changed : tickets) {
        auto const* const before = book.find(changed.id);
        if (notices_ && before != nullptr) {
            notices_->knows(*before);
        }
    }
}

void Keeper::tell_store() {
    bool const any = !changes_.tests.empty() || !changes_.diagnoses.empty() || !changes_.tickets.empty() ||
                     !changes_.checkpoints.empty() || !changes_.downtimes.empty() ||
                     !changes_.rewinds.empty() || !changes_.events.empty() || !changes_.notices.empty();
    if (any) {
        bool const history = !changes_.tickets.empty();
        arrivals_.hand_on(std::exchange(changes_, {}), writer_);
        history_version_ += history ? 1 : 0;
    }
}

void Keeper::checkpoint(fleet::SiteIndex site, Timestamp position) {
    auto const bytes = sites_[site]->pipeline.checkpoint();
    auto const raw = std::as_bytes(std::span{bytes});
    changes_.checkpoints.push_back({fleet_->sites[site].id,
                                    position,
                                    std::to_string(diagnosis::algorithm_version),
                                    {raw.begin(), raw.end()}});
}

void Keeper::checkpoint_older_than(std::chrono::milliseconds age) {
    auto const now = std::chrono::steady_clock::now();
    for (fleet::SiteIndex i = 0; i < sites_.size(); ++i) {
        auto& site = *sites_[i];
        bool const due = now - site.checkpointed >= age && site.pipeline.now() != Timestamp{};
        if (due && arrivals_.known(fleet_->sites[i].id, site.watermark.mark())) {
            checkpoint(i, site.watermark.mark());
            site.checkpointed = now;
            if (changes_.checkpoints.size() >= checkpoints_at_once) {
                tell_store();
                keep_pace();
            }
        }
    }
}

void Keeper::tested(fleet::ProbeIndex probe, diagnosis::ResponseTest const& test) {
    changes_.tests.push_back({fleet_->probes[probe].id, test});
}

std::string Keeper::written(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis) const {
    return document::write(document::to_json(diagnosis, fleet_->probes[probe].id));
}

void Keeper::weighed(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis, bool changed) {
    auto document = written(probe, diagnosis);
    if (feeding_ != Feeding::past_again) {
        board_.show_diagnosis(probe, diagnosis, document);
    }
    if (feeding_ == Feeding::present) {
        tell_condition(probe, diagnosis.condition, diagnosis.at);
    }
    changes_.diagnoses.push_back(
        {fleet_->probes[probe].id, diagnosis.at, diagnosis.condition, std::move(document), changed});
}

void Keeper::service_changed(fleet::ProbeIndex probe, diagnosis::ServiceChange const& change) {
    changes_.service_changes.push_back({fleet_->probes[probe].id, change});
    if (feeding_ != Feeding::past_again) {
        board_.show_service_state(probe, change.state);
    }
    if (feeding_ == Feeding::present) {
        log_->info("event=service_state probe={} state={} since={}", fleet_->probes[probe].id,
                   to_word(change.state), to_rfc3339(change.at));
    }
}

void Keeper::ticket(service::Ticket const& ticket) {
    changes_.tickets.push_back(ticket);
    auto notices = notices_about({ticket});  // none again where they were stored with it
    std::move(notices.begin(), notices.end(), std::back_inserter(changes_.notices));
    board_.show_ticket(ticket);
    tell(ticket.updated_at, "ticket", ticket.site, document::write(document::to_json(ticket)));
    log_->info("event=ticket ticket={} probe={} state={}", ticket.id, ticket.probe,
               service::to_word(ticket.state));
}

// Listeners hear of it now; with the store it is as sure as what it tells of.
void Keeper::tell(Timestamp at, std::string kind, std::string site, std::string data) {
    auto event = board_.events().publish(at, std::move(kind), std::move(site), std::move(data));
    changes_.events.push_back(
        {event.id, event.at, std::move(event.kind), std::move(event.site), std::move(event.data)});
}

void Keeper::tell_condition(fleet::ProbeIndex probe, diagnosis::Condition condition, Timestamp at) {
    if (std::exchange(told_[probe], condition) != condition) {
        auto const& facts = fleet_->probes[probe];
        tell(at, "condition", fleet_->sites[facts.site].id, condition_event(facts.id, condition, at));
        if (notices_) {
            notices_->show_condition(probe, condition, at);
        }
    }
}

template <typename T>
T Keeper::on_thread(std::function<T()> work) {
    auto promise = std::make_shared<std::promise<T>>();
    auto answer = promise->get_future();
    {
        std::scoped_lock const lock{mutex_};
        if (ended_ || stopping_) {
            return unavailable("the daemon is stopping");
        }
        tasks_.push_back([promise, work = std::move(work)] {
            try {
                promise->set_value(work());
            } catch (...) {
                promise->set_exception(std::current_exception());
            }
        });
    }
    wake_.notify_all();
    try {
        return answer.get();
    } catch (std::future_error const&) {
        return unavailable("the daemon is stopping");
    } catch (std::exception const& error) {
        log_->error("event=command_failed why=\"{}\"", error.what());
        return unavailable("this could not be done now; the daemon's log says why");
    }
}

api::Answer<service::Ticket> Keeper::step(std::string const& id, api::TicketStep const& take,
                                          api::Keep<service::Ticket> const& keep) {
    return on_thread<api::Answer<service::Ticket>>([&] { return take_step(id, take, keep); });
}

api::Answer<service::Ticket> Keeper::seen(std::string const& id, api::Keep<service::Ticket> const& keep) {
    return step(
        id, [&](service::TicketBook& book, Timestamp at) { return book.seen(id, at); }, keep);
}

api::Answer<service::Ticket> Keeper::take_step(std::string const& id, api::TicketStep const& take,
                                               api::Keep<service::Ticket> const& keep) {
    auto const name = store::ticket_name(id);
    auto const site = name ? fleet_->find_site(name->site) : std::nullopt;
    if (!site) {
        return api::Refusal{api::Refusal::Kind::not_found, "there is no ticket " + id, {}, {}};
    }
    tell_store();  // what the daemon found comes before what a person does about it
    auto& book = sites_[*site]->pipeline.book();
    auto const before = book;
    auto const at = clock_.now();
    auto const done = take(book, at);
    if (!done) {
        return refusal_of(done.error());
    }
    store::Changes changes;
    changes.tickets.push_back(done.value());
    changes.notices = notices_about(changes.tickets);
    changes.answers = kept(keep ? keep(done.value()) : std::nullopt, at);
    if (auto const stored = writer_.now(std::move(changes)).get(); !stored) {
        book = before;
        not_told(book, {done.value()});
        log_->error("event=step_not_stored ticket={} why=\"{}\"", id, stored.error().message);
        return unavailable("the step could not be stored; nothing has changed");
    }
    ticket(done.value());
    changes_.tickets.pop_back();  // it is stored already
    ++history_version_;
    return done.value();
}

api::Answer<std::vector<api::TakenRecord>> Keeper::add_records(
    std::vector<service::Record> const& records, bool repeats_are_known,
    api::Keep<std::vector<api::TakenRecord>> const& keep) {
    return on_thread<api::Answer<std::vector<api::TakenRecord>>>(
        [&] { return take_records(records, repeats_are_known, keep); });
}

void Keeper::forget_from(store::Changes& changes, fleet::SiteIndex site, Timestamp from) const {
    changes.rewinds.push_back({fleet_->sites[site].id, from});
}

api::Answer<service::KeptRecord> Keeper::void_record(std::string const& probe, std::int64_t number,
                                                     std::string const& by, std::string const& why,
                                                     api::Keep<service::KeptRecord> const& keep) {
    return on_thread<api::Answer<service::KeptRecord>>(
        [&] { return take_voiding(probe, number, by, why, keep); });
}

api::Answer<service::KeptRecord> Keeper::take_voiding(std::string const& probe, std::int64_t number,
                                                      std::string const& by, std::string const& why,
                                                      api::Keep<service::KeptRecord> const& keep) {
    using Kind = api::Refusal::Kind;
    if (trimmed(why).empty()) {
        return api::Refusal{Kind::invalid, "why must say what is wrong with the record", "why", {}};
    }
    tell_store();
    if (auto const flushed = writer_.flush().get(); !flushed) {
        return unavailable("the store cannot be written just now; nothing has changed");
    }
    auto found = reader_.service_record(number);
    auto const index = fleet_->find_probe(probe);
    if (!found || !index || !found.value() || found.value()->record.probe != probe) {
        return api::Refusal{
            Kind::not_found, fmt::format("there is no service record {} of {}", number, probe), {}, {}};
    }
    auto record = *found.value();
    if (record.voided_at) {
        return api::Refusal{
            Kind::conflict, fmt::format("service record {} is voided already", number), {}, {}};
    }
    auto const at = clock_.now();
    record.voided_at = at;
    record.void_by = by;
    record.void_why = why;
    auto const site_index = fleet_->probes[*index].site;
    auto& book = sites_[site_index]->pipeline.book();
    auto const before = book;
    store::Changes changes;
    changes.voidings.push_back({number, at, why, by});
    changes.tickets = book.voided(record.record, by, why, at);
    changes.answers = kept(keep ? keep(record) : std::nullopt, at);
    forget_from(changes, site_index, record.record.time);
    changes.notices = notices_about(changes.tickets);
    auto const tickets = changes.tickets;
    if (auto const stored = writer_.now(std::move(changes)).get(); !stored) {
        book = before;
        not_told(before, tickets);
        log_->error("event=voiding_not_stored record={} why=\"{}\"", number, stored.error().message);
        return unavailable("the voiding could not be stored; nothing has changed");
    }
    for (auto const& changed : tickets) {
        ticket(changed);
        changes_.tickets.pop_back();
    }
    keep_in_book({record});
    remake_soon(site_index, record.record.time);
    return record;
}

api::Answer<service::OutOfUse> Keeper::set_out_of_use(service::OutOfUse const& told,
                                                      api::Keep<service::OutOfUse> const& keep) {
    return on_thread<api::Answer<service::OutOfUse>>([&] { return take_out_of_use(told, keep); });
}

api::Answer<service::OutOfUse> Keeper::take_out_of_use(service::OutOfUse told,
                                                       api::Keep<service::OutOfUse> const& keep) {
    using Kind = api::Refusal::Kind;
    auto const at = clock_.now();
    auto all = out_of_use_;
    if (told.number != 0) {
        auto const known =
            std::find_if(all.begin(), all.end(), [&](auto const& t) { return t.number == told.number; });
        if (known == all.end() || known->site != told.site || known->probe != told.probe) {
            return api::Refusal{
                Kind::not_found, fmt::format("nothing was told under number {}", told.number), {}, {}};
        }
        known->until = told.until;
        known->ended_by = told.ended_by;
        told = *known;
    } else {
        if (trimmed(told.why).empty()) {
            return api::Refusal{Kind::invalid, "why must say what it is out of use for", "why", {}};
        }
        told.number = all.empty() ? 1 : all.back().number + 1;
        told.told_at = at;
        all.push_back(told);
    }
    auto const site = fleet_->find_site(told.site);
    bool const known_probe = !told.probe || (site && fleet_->find_probe(*told.probe) &&
                                             fleet_->probes[*fleet_->find_probe(*told.probe)].site == *site);
    if (!site || !known_probe) {
        return api::Refusal{
            Kind::not_found, "there is no " + told.probe.value_or("site " + told.site), {}, {}};
    }
    if (told.until && *told.until < told.from) {
        return api::Refusal{
            Kind::invalid, "until must not lie before from, which is " + to_rfc3339(told.from), "until", {}};
    }
    tell_store();
    auto& pipeline = sites_[*site]->pipeline;
    auto const from = pipeline.out_of_use(all);
    bool const behind = from && *from <= pipeline.now();
    store::Changes changes;
    changes.out_of_use.push_back(told);
    changes.answers = kept(keep ? keep(told) : std::nullopt, at);
    if (behind) {
        forget_from(changes, *site, *from);
    }
    if (auto const stored = writer_.now(std::move(changes)).get(); !stored) {
        static_cast<void>(pipeline.out_of_use(out_of_use_));
        log_->error("event=out_of_use_not_stored site={} why=\"{}\"", told.site, stored.error().message);
        return unavailable("it could not be stored; nothing has changed");
    }
    out_of_use_ = std::move(all);
    log_->info("event=out_of_use site={} probe={} from={} until={}", told.site, told.probe.value_or("all"),
               to_rfc3339(told.from), told.until ? to_rfc3339(*told.until) : "open");
    if (behind) {
        remake_soon(*site, *from);
    }
    return told;
}

}  // namespace probekeeper::live
