// The one thread that writes to the store while the daemon runs. Readings come in by themselves and are
// committed in groups, at most a second apart; what somebody waits for is committed to the disk before it is
// answered.
//
// What can be lost: the death of the process takes readings that were not yet in a commit, at most the last
// `group_every` (1 s). A power cut also takes groups that the disk had not yet been made to keep: at most the
// last `to_disk_every` (10 s), so five readings of a probe polled every 2 s; a commit that somebody waited
// for takes everything before it to the disk with it. Nothing that was answered is ever lost, and what is
// lost is always the end, never a hole.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <deque>
#include <functional>
#include <future>
#include <mutex>
#include <optional>
#include <thread>
#include <vector>

#include "store/store.h"

namespace probekeeper::store {

class Writer {
public:
    // What became of one group, told on the writer's thread after its commit or failure.
    struct Group {
        std::size_t readings = 0, jobs = 0;
        std::chrono::steady_clock::duration took{};
        Outlives outlives = Outlives::process;
        std::optional<Failure> failure;  // of the whole group: it will be tried again
        std::vector<Failure> refused;    // changes given to later() that contradict the stored data: given up
    };

    struct Options {
        std::chrono::milliseconds group_every{1000};
        std::chrono::milliseconds to_disk_every{10'000};
        std::chrono::milliseconds expire_every{3'600'000};
        std::size_t readings_waiting_most = 200'000;  // 20 MB; the oldest beyond are dropped
        std::size_t findings_waiting_most = 50'000;   // jobs of later(); the oldest beyond are dropped
        std::size_t expire_rows_at_once = 5'000;
        std::function<void(Group const&)> on_group;
        // Where the store is one that does not last: what somebody would wait for, now() and add_surely(), is
        // refused with this, and State::failing says it.
        std::optional<Failure> not_lasting{};
    };

    struct State {
        std::size_t readings_waiting = 0, jobs_waiting = 0;
        std::uint64_t written = 0, repeats = 0, expired = 0;
        std::uint64_t readings_dropped = 0;  // the queue was full: the disk is slow or failing
        std::uint64_t findings_dropped = 0;
        std::uint64_t groups = 0, failed_groups = 0;
        std::optional<Failure> failing;  // of the last group; empty once one succeeds
    };

    Writer(Store store, Retention retention, Options options);
    Writer(Store store, Retention retention) : Writer{std::move(store), retention, Options{}} {}
    ~Writer();  // as stop()
    Writer(Writer&&) = delete;

    // The following may be called from any thread and, futures aside, never wait for the disk.

    // Never refused: a full queue drops its oldest readings and counts them.
    void add(ProbeReading const& reading);
    // Readings that somebody is to be told of (an upload). Not dropped; the future is ready once the disk has
    // them.
    [[nodiscard]] std::future<Result<Appended>> add_surely(std::vector<ProbeReading> readings);

    // On the disk once the future is ready. A failure is answered at once and the changes are given up:
    // whoever waited is told so, and asks again or not. Readings added before are never committed later than
    // this.
    [[nodiscard]] std::future<Result<void>> now(Changes changes);
    // Committed with the next group, tried again for as long as the disk fails; at once where there are
    // notices in them, for somebody wants to be told, or tickets, which others have heard of and look up.
    // Changes with tickets, records, answers or notices in them are never dropped; tests, diagnoses, rewinds,
    // downtimes and checkpoints alone are, oldest first, beyond findings_waiting_most. Changes that
    // contradict the stored data are given up and reported through Options::on_group.
    void later(Changes changes);
    [[nodiscard]] std::future<Result<std::vector<ProbeKey>>> enrol(std::vector<FleetProbe> fleet,
                                                                   Timestamp when);
    [[nodiscard]] std::future<Result<std::vector<std::int64_t>>> number_sites(std::vector<std::string> sites);
    [[nodiscard]] std::future<Result<void>> flush();  // ready once everything given before is on the disk

    [[nodiscard]] std::int64_t reserve_record_number();
    void set_retention(Retention const& retention);
    [[nodiscard]] State state() const;

    // Writes what is waiting to the disk, closes the store and joins the thread; the store's lock is free
    // afterwards. On a failing disk it tries twice, then says what was lost. Later calls of the above are
    // answered with Fault::stopped, readings are dropped and counted.
    Result<void> stop();

private:
    enum class Kind : std::uint8_t { awaited, kept, findings };
    struct Job {
        Kind kind = Kind::kept;
        std::function<Result<void>(Store&)> run;
        std::function<void(Result<void> const&)> answer;  // of awaited ones
        bool at_once = false;
    };
    struct Batch;

    void work();
    void wait_for_work(std::unique_lock<std::mutex>& lock);
    [[nodiscard]] bool group_is_due() const;
    [[nodiscard]] Batch take_waiting();
    void write(Batch& batch);
    [[nodiscard]] Outlives outlives_for(Batch const& batch) const;
    void give_back(Batch& batch);
    void conclude(Batch& batch);
    void expire_if_due();
    void drain();
    void enqueue(Job job);
    void drop_beyond_bounds();
    template <typename T>
    std::future<Result<T>> refused() const;
    template <typename T>
    std::future<Result<T>> await(std::function<Result<T>(Store&)> run);

    Options const options_;

    // Used by the writer's thread alone.
    std::optional<Store> store_;
    std::chrono::steady_clock::time_point last_to_disk_, next_expiry_;
    bool expiring_ = false;

    mutable std::mutex mutex_;  // guards the following
    std::condition_variable wake_;
    std::deque<ProbeReading> readings_;
    std::deque<Job> jobs_;
    std::size_t findings_ = 0;  // jobs of that kind in jobs_
    bool urgent_ = false;       // somebody waits
    bool stopping_ = false;
    std::optional<std::chrono::steady_clock::time_point> due_;  // of the next group
    Retention retention_;
    std::int64_t next_record_number_;
    State state_;
    Result<void> stopped_{};

    std::thread thread_;  // last: it starts when all of the above is there
};

}  // namespace probekeeper::store
