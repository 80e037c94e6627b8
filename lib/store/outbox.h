// The queues of feed.h in the file. Private to this room; writing functions run inside a transaction of the
// caller's.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

class Outbox {
public:
    explicit Outbox(Database& db) : db_{db} {}

    // Reads what memory must know; after a rollback before anything else.
    void load();
    // Notes what has changed, where there is a hub to be told.
    void note(Changes const& changes);
    void note(std::span<ProbeReading const> readings);
    void apply(FeedChanges const& changes);

private:
    void begin();
    void end();
    void go_on_behind(FeedPosition const& position);
    void forget_told(FeedPosition const& told);
    void forget_site(std::string const& site);
    void tell_again(std::string const& site);
    void retell_one_more();
    void retell_hours(ProbeKey probe, Timestamp before);
    void close_hours(Timestamp until);

    void add(Fact const& fact);
    void add_of_probe(FactKind kind, std::string_view probe, std::string_view detail = {},
                      std::int64_t number = 0);
    void add_hour(ProbeKey probe, Timestamp hour);
    void begin_hour(ProbeKey probe, Timestamp hour);

    Database& db_;
    bool feeding_ = false;
    struct NewestHour {
        Timestamp start = Timestamp::min();
        bool over = true;
    };
    std::vector<NewestHour> newest_hours_;  // by probe key; the place of one without readings may be missing
};

[[nodiscard]] std::optional<FeedState> read_feed(Database& db);
[[nodiscard]] FeedBacklog read_backlog(Database& db);
[[nodiscard]] std::vector<WaitingFact> read_waiting_facts(Database& db, std::int64_t seq, std::size_t most);
[[nodiscard]] std::vector<WaitingHour> read_waiting_hours(Database& db, std::int64_t seq, std::size_t most);
// Whether hours that end until then have yet to be taken for over.
[[nodiscard]] bool has_hours_over(Database& db, Timestamp until);
[[nodiscard]] std::optional<StepOutcome> read_step_outcome(Database& db, std::string const& site,
                                                           std::string const& id);

}  // namespace probekeeper::store
