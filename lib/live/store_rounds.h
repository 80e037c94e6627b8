// What a daemon's rounds are planned from and where they are kept: its own store.
#pragma once

#include <spdlog/logger.h>

#include <memory>
#include <mutex>
#include <optional>
#include <utility>

#include "live/round_desk.h"
#include "live/stamp_clock.h"
#include "store/reader_pool.h"
#include "store/writer.h"

namespace probekeeper::live {

class StoreRounds final : public RoundBook {
public:
    // All must outlive it.
    StoreRounds(std::shared_ptr<fleet::Fleet const> fleet, store::ReaderPool& readers, store::Writer& writer,
                StampClock const& clock, std::shared_ptr<spdlog::logger> log);

    [[nodiscard]] Timestamp now() override { return clock_.now(); }
    [[nodiscard]] api::Answer<RoundSource> source(zone::Week week, Timestamp at) override;
    [[nodiscard]] std::string keep(std::vector<store::KeptRound> rounds,
                                   std::optional<api::KeptAnswer> const& answer, Timestamp at) override;

private:
    [[nodiscard]] store::Result<LifeDays> lives_at(store::Reader& reader, Timestamp now);

    std::shared_ptr<fleet::Fleet const> fleet_;
    store::ReaderPool& readers_;
    store::Writer& writer_;
    StampClock const& clock_;
    std::shared_ptr<spdlog::logger> log_;
    std::mutex reading_lives_;  // guards lives_, which are of the beginning of that day
    std::optional<std::pair<std::chrono::sys_days, LifeDays>> lives_;
};

}  // namespace probekeeper::live
