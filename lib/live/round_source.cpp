#include "live/round_source.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <iterator>

#include "document/round.h"
#include "rounds/keep.h"

namespace probekeeper::live {
namespace {

// A round is not planned further ahead than anybody looks for what it would take away.
constexpr int weeks_looked_at = 8;

std::vector<service::Ticket> unfinished(store::Reader& reader) {
    store::TicketFilter filter;
    filter.unfinished_only = true;
    std::vector<service::Ticket> tickets;
    store::PageRequest request{10'000, std::nullopt};
    do {
        auto page = reader.tickets(filter, request).value();
        std::move(page.items.begin(), page.items.end(), std::back_inserter(tickets));
        request.after = page.next;
    } while (request.after);
    return tickets;
}

std::map<std::string, Timestamp> last_visits(store::Reader& reader, fleet::Fleet const& fleet) {
    std::map<std::string, Timestamp> last;
    for (auto const& site : fleet.sites) {
        for (auto const& kept : reader.site_records(site.id).value()) {
            if (!kept.voided_at) {
                auto const [at, is_new] = last.emplace(site.id, kept.record.time);
                at->second = std::max(at->second, kept.record.time);
            }
        }
    }
    return last;
}

ToldWeek told_of(store::Reader& reader, zone::Week week) {
    ToldWeek told;
    for (auto const& kept : reader.rounds(zone::to_text(week)).value()) {
        told.replanned = kept.what == store::KeptRound::What::replanned;
        if (auto round = document::round_of(kept.document); round && !told.replanned) {
            told.published.push_back(std::move(*round));
        }
    }
    return told;
}

void leave_other_weeks(store::Reader& reader, rounds::Asked& asked) {
    auto monday = zone::monday_of(zone::week_of(std::chrono::floor<std::chrono::days>(asked.now)));
    for (int i = -1; i < weeks_looked_at; ++i) {
        auto const week = zone::week_of(monday + std::chrono::weeks{i});
        auto const told = week == asked.week ? ToldWeek{} : told_of(reader, week);
        if (!told.published.empty()) {
            rounds::leave_told(asked, told.published.back());
        }
    }
}

}  // namespace

store::Result<RoundSource> read_round_source(store::Reader& reader, fleet::Fleet const& fleet, zone::Week week,
                                             Timestamp now) try {
    RoundSource source;
    auto& asked = source.asked;
    asked.week = week;
    asked.now = now;
    asked.tickets = unfinished(reader);
    asked.last_visit = last_visits(reader, fleet);
    source.told = told_of(reader, week);
    leave_other_weeks(reader, asked);
    return source;
} catch (std::exception const& error) {  // of one of the values above
    return store::Failure{store::Fault::io, error.what()};
}

std::string fingerprint_of(RoundSource const& source) {
    auto const& asked = source.asked;
    auto text = fmt::format("{} {} {} {}\n", zone::to_text(asked.week), to_rfc3339(asked.now),
                            source.told.published.size(), source.told.replanned);
    for (auto const& ticket : asked.tickets) {
        text += fmt::format("{} {} {} {}\n", ticket.id, service::to_word(ticket.state), to_rfc3339(ticket.updated_at),
                            ticket.history.size());
    }
    for (auto const& [site, at] : asked.last_visit) {
        text += fmt::format("{} {}\n", site, to_rfc3339(at));
    }
    return text;
}

}  // namespace probekeeper::live
