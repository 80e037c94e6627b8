#include "hub/follower.h"

#include <poll.h>

#include <algorithm>

#include "base/text.h"
#include "hub/schema.h"

namespace probekeeper::hub {

namespace {

constexpr std::chrono::milliseconds look_again{1'000};  // should a notification be missed
constexpr std::chrono::milliseconds connect_again{1'000};
constexpr std::chrono::hours forget_every{1};
constexpr std::size_t at_once = 500;
constexpr std::int64_t forgetting_lock = 5'209'437'102;  // of all hubs of a database; chosen by nothing

}  // namespace

std::int64_t last_event_now(postgres::Connection& connection) {
    auto const rows = connection.run("SELECT pg_snapshot_xmin(pg_current_snapshot())::text");
    return parse_integer(rows.text(0, 0)).value() * events_a_transaction - 1;
}

std::vector<api::Event> events_after(postgres::Connection& connection, std::int64_t after, std::size_t most) {
    auto const transaction = after / events_a_transaction, place = after % events_a_transaction;
    // A transaction's events are few, and all there once it is over: they are counted from its first one on.
    auto const rows = connection.run(
        "SELECT xid::text, at, kind, site_id, data FROM probekeeper.events WHERE xid >= $1::text::xid8 AND "
        "xid < pg_snapshot_xmin(pg_current_snapshot()) ORDER BY xid, id LIMIT $2",
        {std::max<std::int64_t>(transaction, 0), static_cast<std::int64_t>(most) + place + 1});
    std::vector<api::Event> events;
    std::int64_t last = -1, next_place = 0;
    for (std::size_t i = 0; i < rows.size() && events.size() < most; ++i) {
        auto const of = parse_integer(rows.text(i, 0)).value();
        next_place = of == last ? std::min(next_place + 1, events_a_transaction - 1) : 0;
        last = of;
        auto const number = of * events_a_transaction + next_place;
        if (number > after) {
            events.push_back({number, rows.time(i, 1).value_or(Timestamp{}), std::string{rows.text(i, 2)},
                              std::string{rows.text(i, 3)}, std::string{rows.text(i, 4)}});
        }
    }
    return events;
}

Follower::Follower(postgres::Options options, api::EventHub& events, OutcomeBell& bell,
                   std::shared_ptr<spdlog::logger> log)
    : options_{std::move(options)}, events_{events}, bell_{bell}, log_{std::move(log)}, thread_{[this] {
          follow();
      }} {}

Follower::~Follower() {
    thread_.join();
}

void Follower::follow() {
    std::string told;
    while (true) {
        try {
            auto connection = postgres::Connection::open(options_);
            connection.listen(events_channel);
            connection.listen(outcomes_channel);
            connected_ = true;
            if (!told.empty()) {
                log_->info("event=database_answers");
                told.clear();
            }
            follow_with(connection);
        } catch (postgres::Error const& error) {
            connected_ = false;
            if (error.fault() == postgres::Fault::interrupted) {
                return;
            }
            if (told != error.what()) {
                told = error.what();
                log_->error("event=database_silent why=\"{}\"", told);
            }
        }
        pollfd ended{options_.interrupt, POLLIN, 0};
        if (::poll(&ended, 1, static_cast<int>(connect_again.count())) > 0) {
            return;
        }
    }
}

void Follower::follow_with(postgres::Connection& connection) {
    bell_.ring();  // outcomes that came meanwhile
    while (true) {
        take_events(connection);
        forget_old(connection);
        auto heard = connection.wait(look_again);
        while (heard) {  // all that are there: one look serves them
            if (heard->channel == outcomes_channel) {
                bell_.ring();
            }
            heard = connection.wait(std::chrono::milliseconds{0});
        }
    }
}

void Follower::take_events(postgres::Connection& connection) {
    auto fresh = events_after(connection, events_.last(), at_once);
    while (!fresh.empty()) {
        bool const more = fresh.size() == at_once;
        for (auto& event : fresh) {
            events_.add(std::move(event));
        }
        fresh = more ? events_after(connection, events_.last(), at_once) : std::vector<api::Event>{};
    }
}

// What nobody will ask for any more; whichever hub comes first does it.
void Follower::forget_old(postgres::Connection& connection) {
    auto const now = std::chrono::steady_clock::now();
    if (forgot_ != std::chrono::steady_clock::time_point{} && now - forgot_ < forget_every) {
        return;
    }
    forgot_ = now;
    postgres::Transaction transaction{connection};
    if (!connection.run("SELECT pg_try_advisory_xact_lock($1)", {forgetting_lock}).boolean(0, 0)) {
        return;
    }
    connection.run(
        "DELETE FROM probekeeper.events e USING (SELECT site_id, site_event, at FROM probekeeper.events "
        "WHERE "
        "at < now() - interval '30 days' ORDER BY at LIMIT 50000) old WHERE e.site_id = old.site_id AND "
        "e.site_event = old.site_event AND e.at = old.at");
    connection.run("DELETE FROM probekeeper.kept_answers WHERE at < now() - interval '7 days'");
    transaction.commit();
}

}  // namespace probekeeper::hub
