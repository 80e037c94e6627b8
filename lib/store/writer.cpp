#include "store/writer.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <iterator>

namespace probekeeper::store {

using Clock = std::chrono::steady_clock;

// What one commit takes from the queues.
struct Writer::Batch {
    std::deque<ProbeReading> readings;
    std::deque<Job> jobs;
    std::vector<Result<void>> outcomes;  // of the jobs, if the commit succeeds
    Appended appended;
    Group report;
    [[nodiscard]] bool empty() const { return readings.empty() && jobs.empty(); }
};

namespace {

bool must_not_be_dropped(Changes const& c) {
    return !c.tickets.empty() || !c.records.empty() || !c.voidings.empty() || !c.answers.empty() ||
           !c.notices.empty() || !c.people.empty() || !c.rounds.empty() || c.feed;
}

Failure stopped_failure() {
    return {Fault::stopped, "the store is being closed: ask again when the daemon has started"};
}

}  // namespace

Writer::Writer(Store store, Retention retention, Options options)
    : options_{std::move(options)},
      store_{std::move(store)},
      last_to_disk_{Clock::now()},
      next_expiry_{Clock::now()},
      retention_{retention},
      next_record_number_{store_->reserve_record_number()},
      state_{.failing = options_.not_lasting},
      thread_{[this] { work(); }} {}

Writer::~Writer() {
    static_cast<void>(stop());
}

void Writer::add(ProbeReading const& reading) {
    std::lock_guard const lock{mutex_};
    if (stopping_) {
        ++state_.readings_dropped;
        return;
    }
    readings_.push_back(reading);
    drop_beyond_bounds();
    if (!due_) {
        due_ = Clock::now() + options_.group_every;
        wake_.notify_one();
    }
}

void Writer::drop_beyond_bounds() {
    while (readings_.size() > options_.readings_waiting_most) {
        readings_.pop_front();
        ++state_.readings_dropped;
    }
    while (findings_ > options_.findings_waiting_most) {
        auto const oldest =
            std::find_if(jobs_.begin(), jobs_.end(), [](Job const& j) { return j.kind == Kind::findings; });
        jobs_.erase(oldest);
        --findings_;
        ++state_.findings_dropped;
    }
}

void Writer::enqueue(Job job) {
    std::unique_lock lock{mutex_};
    if (stopping_) {
        lock.unlock();
        if (job.answer) {
            job.answer(stopped_failure());
        }
        return;
    }
    urgent_ = urgent_ || job.kind == Kind::awaited || job.at_once;
    findings_ += job.kind == Kind::findings ? 1 : 0;
    jobs_.push_back(std::move(job));
    drop_beyond_bounds();
    if (!due_) {
        due_ = Clock::now() + options_.group_every;
    }
    wake_.notify_one();
}

// A job whose result somebody holds a future of.
template <typename T>
std::future<Result<T>> Writer::await(std::function<Result<T>(Store&)> run) {
    struct Shared {
        std::promise<Result<T>> promise;
        std::optional<Result<T>> result;
    };
    auto shared = std::make_shared<Shared>();
    auto future = shared->promise.get_future();
    Job job;
    job.kind = Kind::awaited;
    job.run = [shared, run = std::move(run)](Store& store) -> Result<void> {
        shared->result = run(store);
        if (shared->result->has_error()) {
            return shared->result->error();
        }
        return {};
    };
    job.answer = [shared](Result<void> const& committed) {
        shared->promise.set_value(committed.has_error() ? Result<T>{committed.error()}
                                                        : std::move(*shared->result));
    };
    enqueue(std::move(job));
    return future;
}

template <typename T>
std::future<Result<T>> Writer::refused() const {
    std::promise<Result<T>> refusal;
    refusal.set_value(*options_.not_lasting);
    return refusal.get_future();
}

std::future<Result<Appended>> Writer::add_surely(std::vector<ProbeReading> readings) {
    if (options_.not_lasting) {
        return refused<Appended>();
    }
    return await<Appended>([this, given = std::move(readings)](Store& store) {
        auto appended = store.append(given);
        if (appended) {
            std::lock_guard const lock{mutex_};
            state_.written += appended->written;
            state_.repeats += appended->repeats;
            state_.expired += appended->expired;
        }
        return appended;
    });
}

std::future<Result<void>> Writer::now(Changes changes) {
    if (options_.not_lasting) {
        return refused<void>();
    }
    return await<void>([given = std::move(changes)](Store& store) { return store.keep(given); });
}

void Writer::later(Changes changes) {
    Job job;
    job.kind = must_not_be_dropped(changes) ? Kind::kept : Kind::findings;
    job.at_once = !changes.notices.empty() || !changes.tickets.empty();
    job.run = [given = std::move(changes)](Store& store) { return store.keep(given); };
    enqueue(std::move(job));
}

std::future<Result<std::vector<ProbeKey>>> Writer::enrol(std::vector<FleetProbe> fleet, Timestamp when) {
    return await<std::vector<ProbeKey>>(
        [given = std::move(fleet), when](Store& store) { return store.enrol(given, when); });
}

std::future<Result<std::vector<std::int64_t>>> Writer::number_sites(std::vector<std::string> sites) {
    return await<std::vector<std::int64_t>>(
        [given = std::move(sites)](Store& store) { return store.number_sites(given); });
}

std::future<Result<void>> Writer::flush() {
    return await<void>([](Store&) -> Result<void> { return {}; });
}

std::int64_t Writer::reserve_record_number() {
    std::lock_guard const lock{mutex_};
    return next_record_number_++;
}

void Writer::set_retention(Retention const& retention) {
    std::lock_guard const lock{mutex_};
    retention_ = retention;
}

Writer::State Writer::state() const {
    std::lock_guard const lock{mutex_};
    auto state = state_;
    state.readings_waiting = readings_.size();
    state.jobs_waiting = jobs_.size();
    return state;
}

void Writer::work() {
    std::unique_lock lock{mutex_};
    while (!stopping_) {
        wait_for_work(lock);
        auto batch = take_waiting();
        lock.unlock();
        if (!batch.empty()) {
            write(batch);
        }
        expire_if_due();
        lock.lock();
    }
    lock.unlock();
    drain();
    // A failure loses nothing: the readings stay where they are, and the next start does it.
    static_cast<void>(store_->compact());
    store_.reset();
}

bool Writer::group_is_due() const {
    // A half full queue does not wait for the second to pass, unless the disk is failing: then it would spin.
    bool const filling = 2 * readings_.size() >= options_.readings_waiting_most && !readings_.empty();
    return stopping_ || urgent_ || (filling && !state_.failing) || (due_ && Clock::now() >= *due_);
}

// Until a group is due or there is old data to delete.
void Writer::wait_for_work(std::unique_lock<std::mutex>& lock) {
    while (!group_is_due()) {
        auto const expiry = expiring_ ? Clock::now() : next_expiry_;
        wake_.wait_until(lock, due_ ? std::min(*due_, expiry) : expiry);
        if (Clock::now() >= expiry) {
            return;
        }
    }
}

Writer::Batch Writer::take_waiting() {
    Batch batch;
    if (!group_is_due()) {
        return batch;  // woken to delete old data; the group is not due yet
    }
    batch.readings.swap(readings_);
    batch.jobs.swap(jobs_);
    findings_ = 0;
    urgent_ = false;
    due_.reset();
    return batch;
}

Outlives Writer::outlives_for(Batch const& batch) const {
    bool const awaited = std::any_of(batch.jobs.begin(), batch.jobs.end(), [](Job const& job) {
        return job.kind != Kind::findings;  // tickets and records too, whether somebody waits or not
    });
    return awaited || Clock::now() - last_to_disk_ >= options_.to_disk_every ? Outlives::disk
                                                                             : Outlives::process;
}

// Readings first: what was given before a job is never committed after it.
void Writer::write(Batch& batch) {
    auto const began = Clock::now();
    auto const outlives = outlives_for(batch);
    std::vector<ProbeReading> const readings(batch.readings.begin(), batch.readings.end());
    auto const committed = store_->together(outlives, [&]() -> Result<void> {
        batch.outcomes.clear();
        if (!readings.empty()) {
            auto const appended = store_->append(readings);
            if (appended.has_error()) {
                return appended.error();
            }
            batch.appended = *appended;
        }
        for (auto const& job : batch.jobs) {
            auto const outcome = job.run(*store_);
            if (outcome.has_error() && is_of_the_store(outcome.error().fault)) {
                return outcome.error();  // not the job's: the whole group fails
            }
            batch.outcomes.push_back(outcome);
        }
        return {};
    });
    batch.report = {readings.size(), batch.jobs.size(), Clock::now() - began, outlives, std::nullopt, {}};
    if (committed.has_error()) {
        batch.report.failure = committed.error();
        give_back(batch);
    } else {
        last_to_disk_ = outlives == Outlives::disk ? Clock::now() : last_to_disk_;
        conclude(batch);
    }
    if (options_.on_group) {
        options_.on_group(batch.report);
    }
}

void Writer::conclude(Batch& batch) {
    {
        std::lock_guard const lock{mutex_};
        state_.written += batch.appended.written;
        state_.repeats += batch.appended.repeats;
        state_.expired += batch.appended.expired;
        ++state_.groups;
        state_.failing = options_.not_lasting;
    }
    for (std::size_t i = 0; i < batch.jobs.size(); ++i) {
        if (batch.jobs[i].answer) {
            batch.jobs[i].answer(batch.outcomes[i]);
        } else if (batch.outcomes[i].has_error()) {
            batch.report.refused.push_back(batch.outcomes[i].error());
        }
    }
}

// The disk failed. Who waits is told; the rest goes back to the front of its queue, for the next group.
void Writer::give_back(Batch& batch) {
    auto const failure = *batch.report.failure;
    std::deque<Job> awaited;
    {
        std::lock_guard const lock{mutex_};
        ++state_.failed_groups;
        state_.failing = failure;
        readings_.insert(readings_.begin(), batch.readings.begin(), batch.readings.end());
        for (auto job = batch.jobs.rbegin(); job != batch.jobs.rend(); ++job) {
            if (job->kind == Kind::awaited) {
                awaited.push_front(std::move(*job));
            } else {
                findings_ += job->kind == Kind::findings ? 1 : 0;
                jobs_.push_front(std::move(*job));
            }
        }
        drop_beyond_bounds();
        if (!readings_.empty() || !jobs_.empty()) {
            due_ = Clock::now() + options_.group_every;
        }
    }
    for (auto const& job : awaited) {
        job.answer(failure);
    }
}

// A little at a time, between groups: neither readings nor people wait for it.
void Writer::expire_if_due() {
    if (!expiring_ && Clock::now() < next_expiry_) {
        return;
    }
    Retention retention;
    {
        std::lock_guard const lock{mutex_};
        retention = retention_;
    }
    auto const left = store_->expire_some(retention, options_.expire_rows_at_once);
    if (left.has_error() && options_.on_group) {
        Group report;
        report.failure = left.error();
        options_.on_group(report);
    }
    expiring_ = left.has_value() && *left;
    if (!expiring_) {
        next_expiry_ = Clock::now() + options_.expire_every;
    }
}

void Writer::drain() {
    for (int attempt = 0; attempt < 2; ++attempt) {
        std::unique_lock lock{mutex_};
        auto batch = take_waiting();
        lock.unlock();
        if (batch.empty()) {
            return;
        }
        last_to_disk_ = {};  // long ago: this group goes to the disk
        write(batch);
    }
    std::lock_guard const lock{mutex_};
    if (!readings_.empty() || !jobs_.empty()) {
        stopped_ = Failure{state_.failing->fault,
                           fmt::format("closing the store, {} readings and {} other changes "
                                       "could not be written: {}",
                                       readings_.size(), jobs_.size(), state_.failing->message)};
        state_.readings_dropped += readings_.size();
        readings_.clear();
        jobs_.clear();
    }
}

Result<void> Writer::stop() {
    {
        std::lock_guard const lock{mutex_};
        stopping_ = true;
        wake_.notify_one();
    }
    if (thread_.joinable()) {
        thread_.join();
    }
    std::lock_guard const lock{mutex_};
    return stopped_;
}

}  // namespace probekeeper::store
