#include "notify/sender.h"

#include <algorithm>
#include <atomic>
#include <condition_variable>
#include <map>
#include <mutex>
#include <thread>

#include "notify/messages.h"

namespace probekeeper::notify {

struct Sender::Running {
    using Outcome = store::NoticeOutcome;

    void work();
    void wait(std::chrono::milliseconds most);
    // Sends what is due; gives how long there is nothing to do unless somebody wakes.
    std::chrono::milliseconds round();
    // False: the receiver is not there.
    bool send(store::Notice const& notice);
    bool gather(std::vector<store::Notice> const& due);
    bool keep(store::Changes changes);
    void tell_problem(std::string const& why);

    std::string receiver;
    std::unique_ptr<Transport> transport;
    store::Writer& writer;
    store::Reader reader;
    Clock clock;
    std::shared_ptr<spdlog::logger> log;
    Options options;

    // Of the thread.
    std::chrono::milliseconds pause{0};  // 0: the receiver was there last time
    std::string problem;

    std::mutex mutex;  // guards the following
    std::condition_variable changed;
    bool woken = true;
    std::atomic<bool> stopping{false};
    std::thread thread;
};

void Sender::Running::work() {
    while (!stopping) {
        std::chrono::milliseconds nothing_for{0};
        try {
            nothing_for = round();
        } catch (std::exception const& error) {
            log->error("event=notice_failed notice={} why=\"{}\"", receiver, error.what());
            nothing_for = options.longest_pause;
        }
        wait(nothing_for);
    }
}

void Sender::Running::wait(std::chrono::milliseconds most) {
    std::unique_lock lock{mutex};
    // While the receiver is not there, new messages are no reason to ask it sooner.
    changed.wait_for(lock, most, [this] { return stopping || (woken && pause.count() == 0); });
    woken = false;
}

std::chrono::milliseconds Sender::Running::round() {
    constexpr std::size_t most_at_once = 1000;
    constexpr std::chrono::milliseconds look_again{60'000}, store_failing{5'000};
    auto const due = reader.waiting_notices(receiver, clock(), most_at_once);
    if (!due) {
        log->error("event=notice_failed notice={} why=\"{}\"", receiver, due.error().message);
        return store_failing;
    }
    if (gather(due.value())) {
        return std::chrono::milliseconds{0};
    }
    for (auto const& notice : due.value()) {
        if (stopping) {
            return std::chrono::milliseconds{0};
        }
        if (!send(notice)) {
            pause = std::clamp(pause * 2, options.first_pause, options.longest_pause);
            return pause;
        }
    }
    pause = std::chrono::milliseconds{0};
    auto const next = reader.next_notice(receiver);
    auto const until = next && next.value() ? *next.value() - clock() : look_again;
    return std::clamp<std::chrono::milliseconds>(until, std::chrono::milliseconds{0}, look_again);
}

// Makes one message of those that belong into one. True: there were some, and the list has to be read again.
bool Sender::Running::gather(std::vector<store::Notice> const& due) {
    std::map<std::string, std::vector<store::Notice>> digests;
    for (auto const& notice : due) {
        if (!notice.digest.empty()) {
            digests[notice.digest].push_back(notice);
        }
    }
    store::Changes changes;
    auto const now = clock();
    for (auto const& [name, items] : digests) {
        changes.notices.push_back(digest_of(items, now));
        for (auto const& item : items) {
            changes.notice_outcomes.push_back({item.id, Outcome::Became::gathered, now, {}});
        }
    }
    return !digests.empty() && keep(std::move(changes));
}

bool Sender::Running::send(store::Notice const& notice) {
    if (!notice.digest.empty()) {
        return true;  // could not be gathered just now
    }
    auto const now = clock();
    auto const sent = transport->send(notice, now);
    Outcome outcome{notice.id, Outcome::Became::taken, now, {}};
    switch (sent.outcome) {
        case Sent::Outcome::unreachable:
            if (!stopping) {
                tell_problem(sent.why);
            }
            return false;
        case Sent::Outcome::taken:
            if (!sent.why.empty()) {
                log->warn("event=notice_partly_taken notice={} id={} why=\"{}\"", receiver, notice.id,
                          sent.why);
            }
            if (!problem.empty()) {
                log->info("event=notice_receiver_back notice={}", receiver);
                problem.clear();
            }
            break;
        case Sent::Outcome::refused: {
            bool const last = notice.tries + 1 >= options.refusals_most;
            outcome.became = last ? Outcome::Became::given_up : Outcome::Became::waiting;
            outcome.not_before = now + options.after_refusal;
            log->log(last ? spdlog::level::err : spdlog::level::warn,
                     "event=notice_refused notice={} id={} tries={} why=\"{}\"", receiver, notice.id,
                     notice.tries + 1, sent.why);
            break;
        }
    }
    store::Changes changes;
    changes.notice_outcomes.push_back(std::move(outcome));
    return keep(std::move(changes));
}

bool Sender::Running::keep(store::Changes changes) {
    auto const kept = writer.now(std::move(changes)).get();
    if (!kept) {
        log->error("event=notice_not_stored notice={} why=\"{}\"", receiver, kept.error().message);
    }
    return kept.has_value();
}

// The change is told, not each repetition.
void Sender::Running::tell_problem(std::string const& why) {
    if (problem != why) {
        log->warn("event=notice_receiver_down notice={} why=\"{}\"", receiver, why);
        problem = why;
    }
}

Sender::Sender(std::string receiver, std::unique_ptr<Transport> transport, store::Writer& writer,
               store::Reader reader, Clock clock, std::shared_ptr<spdlog::logger> log, Options options)
    : running_{new Running{std::move(receiver),
                           std::move(transport),
                           writer,
                           std::move(reader),
                           std::move(clock),
                           std::move(log),
                           options,
                           {},
                           {},
                           {},
                           {},
                           true,
                           {false},
                           {}}} {
    running_->thread = std::thread{[r = running_.get()] { r->work(); }};
}

Sender::~Sender() {
    auto& r = *running_;
    {
        std::scoped_lock const lock{r.mutex};
        r.stopping = true;
    }
    r.changed.notify_all();
    r.transport->interrupt();
    r.thread.join();
}

void Sender::wake() {
    {
        std::scoped_lock const lock{running_->mutex};
        running_->woken = true;
    }
    running_->changed.notify_all();
}

}  // namespace probekeeper::notify
