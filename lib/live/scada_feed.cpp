#include "live/scada_feed.h"

#include <algorithm>

namespace probekeeper::live {
namespace {

// Through the same step as over HTTP.
std::optional<scada::Exception> see(Board const& board, Keeper& keeper, ScadaNumbers const& numbers,
                                    std::int64_t number) {
    auto const at = std::find(numbers.probes.begin(), numbers.probes.end(), number);
    if (at == numbers.probes.end()) {
        return scada::Exception::illegal_data_address;
    }
    auto const ticket = board.probe(static_cast<fleet::ProbeIndex>(at - numbers.probes.begin())).open_ticket;
    if (!ticket) {
        return scada::Exception::illegal_data_value;  // it was finished just now
    }
    auto const done = keeper.seen(*ticket, {});
    return done ? std::nullopt : std::optional{scada::Exception::server_device_failure};
}

}  // namespace

scada::Feed scada_feed(std::shared_ptr<Board> const& board, std::shared_ptr<Keeper> const& keeper,
                       ScadaNumbers numbers, StampClock const& clock) {
    scada::Feed feed;
    auto const& settings = *board->fleet().scada;
    feed.allow_from = settings.allow_from;
    feed.source = [board, numbers, &clock]() -> std::optional<scada::EstateNow> {
        return board->estate(numbers.probes, numbers.sites, clock.now());
    };
    if (settings.allow_seen) {
        feed.see = [board, keeper, numbers = std::move(numbers)](std::int64_t number) {
            return see(*board, *keeper, numbers, number);
        };
    }
    return feed;
}

}  // namespace probekeeper::live
