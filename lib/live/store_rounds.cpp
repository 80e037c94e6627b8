#include "live/store_rounds.h"

#include "live/kept.h"
#include "live/refusals.h"

namespace probekeeper::live {

StoreRounds::StoreRounds(std::shared_ptr<fleet::Fleet const> fleet, store::ReaderPool& readers,
                         store::Writer& writer, StampClock const& clock, std::shared_ptr<spdlog::logger> log)
    : fleet_{std::move(fleet)}, readers_{readers}, writer_{writer}, clock_{clock}, log_{std::move(log)} {}

api::Answer<RoundSource> StoreRounds::source(zone::Week week, Timestamp at) {
    if (fleet_->technicians.empty()) {  // then nobody plans, and nothing need be read
        RoundSource nothing;
        nothing.fleet = fleet_;
        return nothing;
    }
    auto lease = readers_.lend();
    auto lives = lease ? lives_at(*lease.value(), at) : store::Result<LifeDays>{lease.error()};
    auto source = lives ? read_round_source(*lease.value(), *fleet_, week, at, std::move(lives.value()))
                        : store::Result<RoundSource>{lives.error()};
    if (!source) {
        log_->error("event=round_not_planned week={} why=\"{}\"", zone::to_text(week),
                    source.error().message);
        return unreadable();
    }
    source.value().fleet = fleet_;
    return std::move(source.value());
}

store::Result<LifeDays> StoreRounds::lives_at(store::Reader& reader, Timestamp now) {
    auto const day = std::chrono::floor<std::chrono::days>(now);
    std::scoped_lock const lock{reading_lives_};
    if (!lives_ || lives_->first != day) {
        auto read = read_membrane_lives(reader, *fleet_, Timestamp{day});
        if (!read) {
            return read.error();
        }
        lives_.emplace(day, std::move(read.value()));
    }
    return lives_->second;
}

std::string StoreRounds::keep(std::vector<store::KeptRound> rounds,
                              std::optional<api::KeptAnswer> const& answer, Timestamp at) {
    store::Changes changes;
    changes.rounds = std::move(rounds);
    changes.answers = kept(answer, at);
    auto const stored = writer_.now(std::move(changes)).get();
    return stored ? std::string{} : stored.error().message;
}

}  // namespace probekeeper::live
