// The site's side of a hub: tells PostgreSQL what changes at this daemon's sites, and brings the steps that
// people took there. A thread and a connection of its own. Nothing at the site ever waits for it: it reads
// the store as any reader does, and the connection may be gone for weeks.
//
// Exactly once, in order: what is told and how far it goes (`feeds`) are one transaction, which asks that the
// hub stands where this store believes it stands. Before each, the store notes how far it may come
// (FeedState::trying), so that after a lost COMMIT either of the two is a number that it knows. Any other
// number means that one of the two was restored from a copy: then numbers go on behind both, and everything
// is told again, which changes nothing that was right.
#pragma once

#include <chrono>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <random>
#include <set>
#include <string>
#include <thread>
#include <vector>

#include "api/errands.h"
#include "hub/bell.h"
#include "hub/bucket.h"
#include "hub/teller.h"
#include "live/companion.h"
#include "postgres/connection.h"
#include "store/reader.h"

namespace probekeeper::hub {

class Feed final : public live::Companion {
public:
    struct Options {
        postgres::Options connection;
        double kilobits_per_s = 64.0;
        std::size_t batch_bytes_most = 256 * 1024;
        std::chrono::milliseconds retry_first{1'000}, retry_most{60'000};
        std::chrono::milliseconds poll_every{30'000};   // for steps that no notification told of
        std::chrono::milliseconds claim_every{60'000};  // sites again, and a sign of life
        std::chrono::milliseconds gather{500};          // what changes within so long goes together
    };
    [[nodiscard]] static Options options_of(fleet::HubSettings const& settings);

    Feed(Options options, live::Surroundings around);
    ~Feed() override;

    void wake() override { bell_.ring(); }
    void add_health(document::Health& health) const override;
    void write_metrics(api::MetricsText& out) const override;

private:
    static constexpr std::size_t facts_most = 500;  // read at once; bytes end a batch sooner
    enum class State : std::uint8_t { connecting, connected, catching_up, unreachable, refused };
    using Clock = std::chrono::steady_clock;

    void work();
    void serve();
    [[nodiscard]] bool wait_for_retry(std::chrono::milliseconds delay);
    void failed(std::string const& why, State state);

    void keep(store::FeedChanges changes);  // waits for it; throws Postponed

    // On a connection that stands. feed_claims.cpp
    void synchronise();
    void claim_sites();
    [[nodiscard]] std::vector<std::string> sites_of_ours();
    [[nodiscard]] std::vector<document::Probe> changed_probes(std::vector<std::string> const& ours) const;
    void show_claims(std::size_t told_again);
    // feed_tell.cpp
    [[nodiscard]] bool tell_some();
    [[nodiscard]] store::FeedPosition fill(Batch& batch, store::Reader& reader);
    void send(Batch const& batch, store::FeedPosition const& until);
    void skip_or_narrow(postgres::Error const& error, store::FeedPosition const& until);
    void announce(Batch const& batch);
    [[nodiscard]] bool retell_more();
    void confirm();
    void wait_a_little();
    void show_backlog();
    // feed_steps.cpp
    [[nodiscard]] bool take_steps();  // true where there may be more
    [[nodiscard]] bool take_step(postgres::Rows const& rows, std::size_t row);

    Options options_;
    live::Surroundings around_;
    api::Errands errands_;
    Bell bell_, stop_;

    // Of the thread.
    std::optional<postgres::Connection> connection_;
    std::optional<store::Reader> reader_;
    std::string daemon_;
    std::vector<std::string> all_sites_, sites_;  // of the configuration; those that are ours at the hub
    std::map<std::string, document::Probe> told_probes_;  // as the hub was last told of them, or will be
    store::FeedPosition sent_;                            // what the hub has
    std::map<std::string, int> tries_;                    // of steps that failed by our own fault
    std::set<std::string> told_held_;                     // steps that wait, of which the log has told
    bool unconfirmed_ = false;                            // and the store does not yet know
    std::size_t facts_at_once_ = 0;
    Bucket bucket_;
    Clock::time_point next_poll_{}, next_claim_{};
    std::mt19937 random_{std::random_device{}()};

    mutable std::mutex mutex_;  // guards the following
    struct {
        State state = State::connecting;
        std::string problem;
        std::vector<std::string> refused_sites;
        store::FeedBacklog backlog;
        std::optional<Timestamp> last_contact;
        std::uint64_t bytes = 0, rows = 0, batches = 0, steps = 0, skipped = 0, reconnects = 0, retold = 0;
    } shown_;

    std::thread thread_;  // last: it starts when the rest is there
};

// For Live: a feed where the configuration names a hub.
[[nodiscard]] live::MakeCompanion make_feed();

}  // namespace probekeeper::hub
