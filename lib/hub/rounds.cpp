#include "hub/rounds.h"

#include <stdexcept>

#include "document/diagnosis.h"
#include "document/out_of_use.h"
#include "document/round.h"
#include "document/ticket.h"
#include "hub/documents.h"

namespace probekeeper::hub {

std::vector<service::Ticket> DatabaseFacts::unfinished_tickets() {
    auto const rows = connection_.run(
        "SELECT document FROM probekeeper.tickets WHERE state NOT IN ('verified', 'closed', 'withdrawn') "
        "ORDER BY opened_at, site_id, number");
    return documents<service::Ticket>(rows, 0, document::ticket_of);
}

// The newest record of each probe, by index, and of these the newest of each site.
std::map<std::string, Timestamp> DatabaseFacts::last_visits() {
    auto const rows = connection_.run(
        "SELECT p.site_id, max(r.time) FROM probekeeper.probes p CROSS JOIN LATERAL (SELECT time FROM "
        "probekeeper.records r WHERE r.site_id = p.site_id AND r.probe_id = p.probe_id AND "
        "r.document->>'voided' IS NULL ORDER BY r.time DESC, r.number DESC LIMIT 1) r GROUP BY p.site_id");
    std::map<std::string, Timestamp> visits;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        visits.emplace(rows.text(i, 0), rows.time(i, 1).value_or(Timestamp{}));
    }
    return visits;
}

std::vector<rounds::Expected> DatabaseFacts::expected() {
    auto const rows = connection_.run(
        "SELECT probe_id, diagnosis FROM probekeeper.probes WHERE position('\"forecast\":{' IN diagnosis) > "
        "0 "
        "AND removed_at IS NULL ORDER BY probe_id, site_id");
    std::vector<rounds::Expected> all;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        if (auto const forecast = document::forecast_in(rows.text(i, 1))) {
            all.push_back({std::string{rows.text(i, 0)}, *forecast});
        }
    }
    return all;
}

std::vector<service::OutOfUse> DatabaseFacts::out_of_use() {
    auto const rows = connection_.run("SELECT document FROM probekeeper.out_of_use ORDER BY site_id, number");
    return documents<service::OutOfUse>(rows, 0, document::out_of_use_of);
}

std::vector<store::KeptRound> DatabaseFacts::rounds(std::string const& week) {
    auto const rows = connection_.run(
        "SELECT at, what, by_whom, document FROM probekeeper.rounds WHERE week = $1 ORDER BY id", {week});
    std::vector<store::KeptRound> all;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        all.push_back({week,
                       rows.text(i, 1) == "published" ? store::KeptRound::What::published
                                                      : store::KeptRound::What::replanned,
                       rows.time(i, 0).value_or(Timestamp{}), std::string{rows.text(i, 2)},
                       std::string{rows.text(i, 3)}});
    }
    return all;
}

DatabaseRounds::DatabaseRounds(Pool& pool, Estate& estate, Past& past, std::function<Timestamp()> now,
                               std::shared_ptr<spdlog::logger> log)
    : pool_{pool}, estate_{estate}, past_{past}, now_{std::move(now)}, log_{std::move(log)} {}

live::LifeDays DatabaseRounds::lives_at(postgres::Connection& connection, Estate::Now const& estate,
                                        Timestamp at) {
    std::pair const of{std::chrono::floor<std::chrono::days>(at), estate.version};
    std::scoped_lock const lock{reading_lives_};
    if (lives_of_ != of) {
        auto const past = past_.now(connection, estate);
        lives_ = live::membrane_life_days(*estate.fleet,
                                          live::lives_of(*estate.fleet, *past, Timestamp{of.first}));
        lives_of_ = of;
    }
    return lives_;
}

api::Answer<live::RoundSource> DatabaseRounds::source(zone::Week week, Timestamp at) {
    try {
        return pool_.read([&](postgres::Connection& connection) {
            auto const estate = estate_.now(connection);
            live::RoundSource source;
            if (!estate->fleet->technicians.empty()) {
                DatabaseFacts facts{connection};
                source = live::round_source(facts, week, at, lives_at(connection, *estate, at));
            }
            source.fleet = estate->fleet;
            source.fleet_version = estate->version;
            return source;
        });
    } catch (std::exception const& error) {
        log_->error("event=round_not_planned week={} why=\"{}\"", zone::to_text(week), error.what());
        return api::Refusal{
            api::Refusal::Kind::unavailable, "the hub's database cannot be asked just now", {}, {}};
    }
}

std::string DatabaseRounds::keep(std::vector<store::KeptRound> rounds,
                                 std::optional<api::KeptAnswer> const& answer, Timestamp /*at*/) {
    try {
        auto lease = pool_.lend();
        postgres::Transaction transaction{*lease};
        for (auto const& kept : rounds) {
            bool const published = kept.what == store::KeptRound::What::published;
            auto const round = published ? document::round_of(kept.document) : std::nullopt;
            lease->run(
                "INSERT INTO probekeeper.rounds (week, at, what, by_whom, revision, document) VALUES ($1, "
                "$2, "
                "$3, $4, $5, $6)",
                {kept.week, kept.at, published ? "published" : "replanned", kept.by,
                 round ? std::optional{round->revision} : std::nullopt, kept.document});
        }
        if (answer) {
            keep_answer(*lease, *answer);
        }
        transaction.commit();
        return {};
    } catch (postgres::Error const& error) {
        return error.what();
    }
}

void keep_answer(postgres::Connection& connection, api::KeptAnswer const& answer) {
    connection.run(
        "INSERT INTO probekeeper.kept_answers (token, path, key, body_hash, status, body) VALUES ($1, $2, "
        "$3, "
        "$4, $5, $6) ON CONFLICT (token, path, key) DO NOTHING",
        {answer.token, answer.path, answer.key, answer.body_hash, answer.status, answer.body});
}

}  // namespace probekeeper::hub
