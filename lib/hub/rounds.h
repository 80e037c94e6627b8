// What rounds over all sites are planned from and where they are kept: the hub's database.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <utility>

#include "hub/estate.h"
#include "hub/past.h"
#include "hub/pool.h"
#include "live/round_desk.h"

namespace probekeeper::hub {

// Read from a connection; throws postgres::Error, and std::runtime_error for what is no document.
class DatabaseFacts final : public live::RoundFacts {
public:
    explicit DatabaseFacts(postgres::Connection& connection) : connection_{connection} {}

    std::vector<service::Ticket> unfinished_tickets() override;
    std::map<std::string, Timestamp> last_visits() override;
    std::vector<rounds::Expected> expected() override;
    std::vector<service::OutOfUse> out_of_use() override;
    std::vector<store::KeptRound> rounds(std::string const& week) override;

private:
    postgres::Connection& connection_;
};

// Two hubs may plan the same week; of two that publish it as the same revision one is refused.
class DatabaseRounds final : public live::RoundBook {
public:
    // All must outlive it.
    DatabaseRounds(Pool& pool, Estate& estate, Past& past, std::function<Timestamp()> now,
                   std::shared_ptr<spdlog::logger> log);

    [[nodiscard]] Timestamp now() override { return now_(); }
    [[nodiscard]] api::Answer<live::RoundSource> source(zone::Week week, Timestamp at) override;
    [[nodiscard]] std::string keep(std::vector<store::KeptRound> rounds,
                                   std::optional<api::KeptAnswer> const& answer, Timestamp at) override;

private:
    [[nodiscard]] live::LifeDays lives_at(postgres::Connection& connection, Estate::Now const& estate,
                                          Timestamp at);

    Pool& pool_;
    Estate& estate_;
    Past& past_;
    std::function<Timestamp()> now_;
    std::shared_ptr<spdlog::logger> log_;
    std::mutex reading_lives_;  // guards the following, which are of that day and that fleet
    std::optional<std::pair<std::chrono::sys_days, std::string>> lives_of_;
    live::LifeDays lives_;
};

// Adds an answer to those that are given again.
void keep_answer(postgres::Connection& connection, api::KeptAnswer const& answer);

}  // namespace probekeeper::hub
