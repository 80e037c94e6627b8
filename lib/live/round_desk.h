// Plans weeks, and keeps what people were told of them. Planning has a thread of its own, so that nobody's
// request holds it up: a request waits a little for the plan of today's tickets and else gets the last one
// that was made, with how far the new one has come. At most `most_waiting` requests wait at a time; the rest
// are answered at once.
#pragma once

#include <spdlog/logger.h>

#include <condition_variable>
#include <deque>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "api/backend.h"
#include "live/round_source.h"

namespace probekeeper::live {

// Where a desk learns what there is to plan, and where it keeps what people were told. From any thread.
class RoundBook {
public:
    virtual ~RoundBook() = default;
    [[nodiscard]] virtual Timestamp now() = 0;
    // What the week is planned from at `at`, with the fleet. It has no technicians where there are no rounds.
    [[nodiscard]] virtual api::Answer<RoundSource> source(zone::Week week, Timestamp at) = 0;
    // Both in one commit. Why not, as a sentence for the log; empty: done.
    [[nodiscard]] virtual std::string keep(std::vector<store::KeptRound> rounds,
                                           std::optional<api::KeptAnswer> const& answer, Timestamp at) = 0;
};

class RoundDesk {
public:
    struct Options {
        std::chrono::milliseconds wait_for_first{10'000};  // where no plan of the week has been made yet
        std::chrono::milliseconds wait_for_newer{2'000};
        std::chrono::milliseconds wait_to_publish{20'000};
        std::size_t most_waiting = 2;
        std::size_t weeks_kept = 16;
    };

    RoundDesk(std::unique_ptr<RoundBook> book, std::shared_ptr<spdlog::logger> log, Options options);
    RoundDesk(std::unique_ptr<RoundBook> book, std::shared_ptr<spdlog::logger> log)
        : RoundDesk{std::move(book), std::move(log), Options{}} {}
    ~RoundDesk();  // ends a search under way
    RoundDesk(RoundDesk const&) = delete;
    RoundDesk& operator=(RoundDesk const&) = delete;

    // From any thread; see api::Backend.
    api::Answer<api::WeekRound> round(zone::Week week);
    api::Answer<api::WeekRound> publish(zone::Week week, std::string const& by,
                                        api::Keep<api::WeekRound> const& keep);
    api::Answer<api::WeekRound> replan(zone::Week week, std::string const& by,
                                       api::Keep<api::WeekRound> const& keep);

private:
    struct Kept {
        std::string print;  // of what it was made from
        api::WeekRound round;
    };
    struct Entry {
        std::optional<Kept> kept;
        std::optional<RoundSource> wanted;
        std::string wanted_print;
        double share = 0.0;  // of the planning that is done
        std::string failed;  // why the last planning came to nothing
        std::uint64_t used = 0;
    };
    struct Patience {
        std::chrono::milliseconds first, newer;
    };

    api::Answer<RoundSource> source_of(zone::Week week);
    api::Answer<api::WeekRound> planned(RoundSource source, Patience patience);
    Entry& entry_of(zone::Week week);
    api::Answer<void> keep(std::vector<store::KeptRound> rounds, std::optional<api::KeptAnswer> const& answer,
                           Timestamp at);
    void work();
    [[nodiscard]] api::WeekRound plan(RoundSource const& source, zone::Week week);
    [[nodiscard]] rounds::Round search(RoundSource const& source, zone::Week week);
    [[nodiscard]] bool go_on(zone::Week week, double share);

    std::unique_ptr<RoundBook> book_;
    std::shared_ptr<spdlog::logger> log_;
    Options options_;
    std::mutex publishing_;  // one at a time: each is a revision of its own

    std::mutex mutex_;  // guards the following
    std::condition_variable wake_, done_;
    std::map<zone::Week, Entry> weeks_;
    std::deque<zone::Week> queue_;
    std::size_t waiting_ = 0;
    std::uint64_t uses_ = 0;
    bool stopping_ = false;

    std::thread thread_;  // last: it starts when all of the above is there
};

}  // namespace probekeeper::live
