// Keeps all sites' diagnoses and tickets, on one thread: takes readings as they come, puts them in order,
// feeds the pipelines, hands results to the store and the board, and takes people's steps and records in
// between.
#pragma once

#include <spdlog/logger.h>

#include <atomic>
#include <condition_variable>
#include <deque>
#include <functional>
#include <future>
#include <map>
#include <memory>
#include <mutex>
#include <stdexcept>
#include <thread>
#include <vector>

#include "api/backend.h"
#include "fleet/fleet.h"
#include "live/arrivals.h"
#include "live/board.h"
#include "live/notices.h"
#include "live/record_book.h"
#include "live/stamp_clock.h"
#include "pipeline/site_pipeline.h"
#include "pipeline/watermark.h"
#include "store/reader.h"
#include "store/writer.h"

namespace probekeeper::live {

class Keeper : private pipeline::Sink {
public:
    struct Options {
        std::size_t readings_waiting_most = 200'000;
        std::chrono::milliseconds checkpoint_every{600'000};
        std::function<void()> turned;  // called on the keeper's thread at each turn, also while it catches up
        // Called on the keeper's thread where it ends because the store is damaged.
        std::function<void(std::string const& why)> damaged;
    };
    struct Queue {
        std::size_t waiting = 0;
        std::uint64_t dropped = 0;  // readings that diagnosis never saw
        std::uint64_t late = 0;     // that came behind the mark
    };

    // All must outlive the keeper. Readings that the store already holds are taken from there first, up to
    // `begun`: from then on they come by reading(). Of those that others store meanwhile it learns by
    // `arrivals`, and makes the diagnosis of their site again: soon, and once for several that come together.
    Keeper(std::shared_ptr<fleet::Fleet const> fleet, Board& board, store::Writer& writer,
           store::Reader reader, Arrivals& arrivals, StampClock const& clock, Timestamp begun,
           std::shared_ptr<spdlog::logger> log, Options options);
    ~Keeper() override;
    Keeper(Keeper const&) = delete;
    Keeper& operator=(Keeper const&) = delete;

    // Whom to tell, before start().
    void use(std::shared_ptr<Notices> notices) { notices_ = std::move(notices); }

    void start();
    // Takes what has come, writes a checkpoint of every site and ends the thread.
    void stop();

    // From any thread, and never waits. A full queue drops its oldest reading.
    void reading(fleet::ProbeIndex probe, Reading const& reading);

    // From any thread; these wait until the change is on the disk. For api::Backend, see there.
    api::Answer<service::Ticket> step(std::string const& ticket, api::TicketStep const& take,
                                      api::Keep<service::Ticket> const& keep);
    api::Answer<service::Ticket> seen(std::string const& ticket, api::Keep<service::Ticket> const& keep);
    // Voids a record of `probe`, and makes its history again without it. `why` must say something.
    api::Answer<service::KeptRecord> void_record(std::string const& probe, std::int64_t number,
                                                 std::string const& by, std::string const& why,
                                                 api::Keep<service::KeptRecord> const& keep);
    // Parks a probe or a whole site, back in time too; `number` and `told_at` are given here. With the number
    // of one that was told before, only its `until` and `ended_by` are taken.
    api::Answer<service::OutOfUse> set_out_of_use(service::OutOfUse const& told,
                                                  api::Keep<service::OutOfUse> const& keep);
    // Keeps all of them, or none. With `repeats_are_known` one that says the same as one in force is that
    // one.
    api::Answer<std::vector<api::TakenRecord>> add_records(
        std::vector<service::Record> const& records, bool repeats_are_known,
        api::Keep<std::vector<api::TakenRecord>> const& keep);

    [[nodiscard]] Queue queue() const;
    // From any thread: grows with each ticket and record that changes. What was read from the store after the
    // writer was flushed, and after this was asked for, is all of it that there was.
    [[nodiscard]] std::uint64_t history_version() const { return history_version_.load(); }

private:
    // Asked to stop before it had caught up: the end of its work, and no failure.
    struct StoppedEarly : std::runtime_error {
        using std::runtime_error::runtime_error;
    };
    struct Site {
        pipeline::SitePipeline pipeline;
        pipeline::Watermark watermark;
        std::chrono::steady_clock::time_point checkpointed{};
    };
    using Item = pipeline::Watermark::Item;
    using Task = std::function<void()>;

    void work();
    void turned() const;
    void take_waiting(std::deque<Item>& readings, std::deque<Task>& tasks);
    void remake_arrived(bool at_once);
    void remake_arrived(fleet::SiteIndex site, bool at_once);
    void open_sites_when_readable();
    void remake_soon(fleet::SiteIndex site, Timestamp from);
    void feed_live(std::deque<Item>& readings);
    void tell_store();
    void look_for_outages();
    // The messages that go with these tickets, to be committed together with them.
    [[nodiscard]] std::vector<store::Notice> notices_about(std::vector<service::Ticket> const& tickets);
    void not_told(service::TicketBook const& book, std::vector<service::Ticket> const& tickets);
    void checkpoint(fleet::SiteIndex site, Timestamp position);
    // Those whose last one is so old, and that know what is stored.
    void checkpoint_older_than(std::chrono::milliseconds age);

    // catch_up.cpp: from the store to the present
    void open_sites();
    // When each probe was first seen, by the fleet's order.
    void open_site(fleet::SiteIndex site, std::vector<std::optional<Timestamp>> const& first_seen);
    void show_newest(fleet::SiteIndex site, bool polled_too);
    void show_conditions();
    [[nodiscard]] service::TicketBook book_of(std::string const& site);
    void catch_up(fleet::SiteIndex site, Timestamp position, Timestamp until,
                  std::vector<service::Record> const& records);
    void keep_pace();
    void note_downtime(std::optional<Timestamp> newest);
    void withdraw_removed();
    void remake(fleet::SiteIndex site, Timestamp from);

    template <typename T>
    T on_thread(std::function<T()> work);
    api::Answer<service::Ticket> take_step(std::string const& ticket, api::TicketStep const& take,
                                           api::Keep<service::Ticket> const& keep);
    api::Answer<service::KeptRecord> take_voiding(std::string const& probe, std::int64_t number,
                                                  std::string const& by, std::string const& why,
                                                  api::Keep<service::KeptRecord> const& keep);
    api::Answer<service::OutOfUse> take_out_of_use(service::OutOfUse told,
                                                   api::Keep<service::OutOfUse> const& keep);
    // Takes records into the book once they are stored; where instruments have been is told to diagnosis, and
    // to whoever asks.
    void keep_in_book(std::vector<service::KeptRecord> const& stored);
    void show_instruments();
    // Drops, in the same commit as what makes it untrue, what was diagnosed from `from` on: were the daemon
    // to die before it is made again, a start would make it.
    void forget_from(store::Changes& changes, fleet::SiteIndex site, Timestamp from) const;
    // records.cpp
    class Surroundings;
    [[nodiscard]] std::optional<api::Refusal> refuse(service::Record const& record, Timestamp now) const;
    api::Answer<std::vector<api::TakenRecord>> take_records(
        std::vector<service::Record> const& records, bool repeats_are_known,
        api::Keep<std::vector<api::TakenRecord>> const& keep);

    void tell(Timestamp at, std::string kind, std::string site, std::string data);
    void tell_condition(fleet::ProbeIndex probe, diagnosis::Condition condition, Timestamp at);

    // As the API tells it.
    [[nodiscard]] std::string written(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis) const;

    void tested(fleet::ProbeIndex probe, diagnosis::ResponseTest const& test) override;
    void weighed(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis, bool changed) override;
    void ticket(service::Ticket const& ticket) override;
    void service_changed(fleet::ProbeIndex probe, diagnosis::ServiceChange const& change) override;

    std::shared_ptr<fleet::Fleet const> fleet_;
    Board& board_;
    store::Writer& writer_;
    store::Reader reader_;
    Arrivals& arrivals_;
    StampClock const& clock_;
    Timestamp begun_;
    std::shared_ptr<spdlog::logger> log_;
    Options options_;

    // Of the keeper's own thread.
    std::vector<std::unique_ptr<Site>> sites_;
    // Of the past nobody is told, and of what is only made again the board does not show it either.
    enum class Feeding : std::uint8_t { past_at_start, past_again, present };
    Feeding feeding_ = Feeding::past_at_start;
    std::vector<diagnosis::Condition> told_;     // the last one told of each probe
    std::vector<service::OutOfUse> out_of_use_;  // of all sites, by number
    RecordBook book_;
    std::optional<service::Instruments> instruments_;  // by all records in the book
    store::Changes changes_;                           // found, not yet handed to the writer
    std::chrono::steady_clock::time_point looked_{};
    std::chrono::steady_clock::time_point remake_from_{};  // not before: the store failed
    std::shared_ptr<Notices> notices_;                     // null: nobody is told

    std::atomic<std::uint64_t> history_version_{0};

    mutable std::mutex mutex_;  // guards the following
    std::condition_variable wake_;
    std::deque<Item> readings_;
    std::deque<Task> tasks_;
    bool came_ = false;  // readings that others stored, since the thread looked last
    Queue queue_;
    bool stopping_ = false;
    bool ended_ = false;

    std::thread thread_;
};

}  // namespace probekeeper::live
