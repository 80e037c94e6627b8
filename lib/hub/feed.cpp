#include "hub/feed.h"

#include <poll.h>
#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "hub/feed_ends.h"
#include "hub/schema.h"

namespace probekeeper::hub {

using postgres::Error;
using postgres::Fault;

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
    connection_.reset();
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

live::MakeCompanion make_feed() {
    return [](live::Surroundings const& around) -> std::unique_ptr<live::Companion> {
        if (!around.fleet->hub) {
            return nullptr;
        }
        return std::make_unique<Feed>(Feed::options_of(*around.fleet->hub), around);
    };
}

}  // namespace probekeeper::hub
