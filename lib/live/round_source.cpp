#include "live/round_source.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <iterator>

#include "document/diagnosis.h"
#include "document/round.h"
#include "live/lessons.h"
#include "rounds/keep.h"
#include "service/membranes.h"

namespace probekeeper::live {
namespace {

// A round is not planned further ahead than anybody looks for what it would take away.
constexpr int weeks_looked_at = 8;

class StoreFacts final : public RoundFacts {
public:
    StoreFacts(store::Reader& reader, fleet::Fleet const& fleet) : reader_{reader}, fleet_{fleet} {}

    std::vector<service::Ticket> unfinished_tickets() override {
        store::TicketFilter filter;
        filter.unfinished_only = true;
        std::vector<service::Ticket> tickets;
        store::PageRequest request{10'000, std::nullopt};
        do {
            auto page = reader_.tickets(filter, request).value();
            std::move(page.items.begin(), page.items.end(), std::back_inserter(tickets));
            request.after = page.next;
        } while (request.after);
        return tickets;
    }

    std::map<std::string, Timestamp> last_visits() override {
        std::map<std::string, Timestamp> last;
        for (auto const& site : fleet_.sites) {
            for (auto const& kept : reader_.site_records(site.id).value()) {
                if (!kept.voided_at) {
                    auto const [at, is_new] = last.emplace(site.id, kept.record.time);
                    at->second = std::max(at->second, kept.record.time);
                }
            }
        }
        return last;
    }

    std::vector<rounds::Expected> expected() override {
        std::vector<rounds::Expected> expected;
        for (auto const& newest : reader_.newest_diagnoses().value()) {
            if (auto const forecast = document::forecast_in(newest.document)) {
                expected.push_back({newest.probe, *forecast});
            }
        }
        return expected;
    }

    std::vector<service::OutOfUse> out_of_use() override { return reader_.out_of_use().value(); }

    std::vector<store::KeptRound> rounds(std::string const& week) override {
        return reader_.rounds(week).value();
    }

private:
    store::Reader& reader_;
    fleet::Fleet const& fleet_;
};

ToldWeek told_of(RoundFacts& facts, zone::Week week) {
    ToldWeek told;
    for (auto const& kept : facts.rounds(zone::to_text(week))) {
        told.replanned = kept.what == store::KeptRound::What::replanned;
        if (auto round = document::round_of(kept.document); round && !told.replanned) {
            told.published.push_back(std::move(*round));
        }
    }
    return told;
}

void leave_other_weeks(RoundFacts& facts, rounds::Asked& asked) {
    auto monday = zone::monday_of(zone::week_of(std::chrono::floor<std::chrono::days>(asked.now)));
    for (int i = -1; i < weeks_looked_at; ++i) {
        auto const week = zone::week_of(monday + std::chrono::weeks{i});
        auto const told = week == asked.week ? ToldWeek{} : told_of(facts, week);
        if (!told.published.empty()) {
            rounds::leave_told(asked, told.published.back());
        }
    }
}

}  // namespace

LifeDays membrane_life_days(fleet::Fleet const& fleet, std::vector<service::MembraneLife> const& lives) {
    auto const groups = service::life_statistics(lives);
    LifeDays days;
    for (auto const& probe : fleet.probes) {
        auto const of_kind =
            std::find_if(groups.begin(), groups.end(), [&](service::LifeStatistics const& group) {
                return group.kind && *group.kind == probe.membrane;
            });
        days[probe.id] = (of_kind != groups.end() ? *of_kind : groups.front()).weibull.mean();
    }
    return days;
}

store::Result<LifeDays> read_membrane_lives(store::Reader& reader, fleet::Fleet const& fleet, Timestamp now) {
    auto const history = read_history(reader, fleet);
    if (!history) {
        return history.error();
    }
    return membrane_life_days(fleet, lives_of(fleet, history.value(), now));
}

RoundSource round_source(RoundFacts& facts, zone::Week week, Timestamp now, LifeDays lives) {
    RoundSource source;
    auto& asked = source.asked;
    asked.week = week;
    asked.now = now;
    asked.tickets = facts.unfinished_tickets();
    asked.last_visit = facts.last_visits();
    asked.expected = facts.expected();
    asked.out_of_use = facts.out_of_use();
    asked.membrane_life_days = std::move(lives);
    source.told = told_of(facts, week);
    leave_other_weeks(facts, asked);
    return source;
}

store::Result<RoundSource> read_round_source(store::Reader& reader, fleet::Fleet const& fleet,
                                             zone::Week week, Timestamp now, LifeDays lives) try {
    StoreFacts facts{reader, fleet};
    return round_source(facts, week, now, std::move(lives));
} catch (std::exception const& error) {  // of one of the values above
    return store::Failure{store::Fault::io, error.what()};
}

std::string fingerprint_of(RoundSource const& source) {
    auto const& asked = source.asked;
    auto text = fmt::format("{} {} {} {} {}\n", zone::to_text(asked.week), to_rfc3339(asked.now),
                            source.told.published.size(), source.told.replanned, source.fleet_version);
    for (auto const& ticket : asked.tickets) {
        text += fmt::format("{} {} {} {}\n", ticket.id, service::to_word(ticket.state),
                            to_rfc3339(ticket.updated_at), ticket.history.size());
    }
    for (auto const& [probe, forecast] : asked.expected) {
        text +=
            fmt::format("{} {} {}\n", probe, diagnosis::to_word(forecast.reason), to_rfc3339(forecast.due));
    }
    for (auto const& parked : asked.out_of_use) {
        text += fmt::format("{} {} {}\n", parked.site, parked.number,
                            parked.until ? to_rfc3339(*parked.until) : std::string{});
    }
    for (auto const& [probe, life] : asked.membrane_life_days) {
        text += fmt::format("{} {:.1f}\n", probe, life);
    }
    for (auto const& [site, at] : asked.last_visit) {
        text += fmt::format("{} {}\n", site, to_rfc3339(at));
    }
    return text;
}

}  // namespace probekeeper::live
