#include "hub/commands.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>

#include "access/secret.h"
#include "hub/schema.h"
#include "hub/sheet.h"

namespace probekeeper::hub {

namespace {

using postgres::Connection;

constexpr std::size_t id_length = 32;
constexpr std::chrono::milliseconds look_again{400};  // should a bell not be heard

// Of a request with a key always the same.
std::string id_of(api::Command const& command) {
    auto const secret = command.key ? fmt::format("{}\n{}\n{}", command.who, command.path, *command.key)
                                    : access::new_secret("");
    return access::hash_of(secret).substr(0, id_length);
}

// The sites of probes that the caller may see.
std::map<std::string, std::string> sites_of(Connection& connection, std::vector<std::string> const& probes,
                                            std::vector<std::string> const& only) {
    std::map<std::string, std::string> sites;
    auto const rows = connection.run(
        "SELECT probe_id, site_id FROM probekeeper.probes WHERE probe_id = ANY($1) AND removed_at IS NULL "
        "ORDER BY probe_id, site_id",
        {probes});
    for (std::size_t i = 0; i < rows.size(); ++i) {
        std::string const site{rows.text(i, 1)};
        if (only.empty() || std::find(only.begin(), only.end(), site) != only.end()) {
            sites.emplace(rows.text(i, 0), site);
        }
    }
    return sites;
}

api::StepReport report_of(std::string const& id, postgres::Rows const& rows) {
    api::StepReport report;
    report.id = id;
    std::vector<AnsweredPart> parts;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        report.sites.emplace_back(rows.text(i, 0));
        report.made_at = rows.time(i, 1).value_or(Timestamp{});
        report.who = rows.text(i, 2);
        report.method = rows.text(i, 3);
        report.path = rows.text(i, 4);
        report.body_hash = rows.text(i, 5);
        if (rows.null(i, 7)) {
            report.waiting.push_back(report.sites.back());
            continue;
        }
        parts.push_back({std::string{rows.text(i, 6)},
                         {rows.time(i, 7).value_or(Timestamp{}), static_cast<int>(rows.integer(i, 8)),
                          std::string{rows.text(i, 9)}, std::string{rows.text(i, 10)}}});
    }
    if (report.waiting.empty()) {
        report.outcome = join_sheet(parts);
    }
    return report;
}

std::optional<api::StepReport> find_with(Connection& connection, std::string const& id) {
    auto const rows = connection.run(
        "SELECT s.site_id, s.made_at, s.who, s.method, s.path, s.body_hash, s.body, o.at, o.status, "
        "o.content_type, o.body FROM probekeeper.steps s LEFT JOIN probekeeper.outcomes o ON o.site_id = "
        "s.site_id AND o.id = s.id WHERE s.id = $1 ORDER BY s.site_id",
        {id});
    return rows.empty() ? std::nullopt : std::optional{report_of(id, rows)};
}

}  // namespace

void OutcomeBell::ring() {
    {
        std::scoped_lock const lock{mutex_};
        ++rung_;
    }
    wake_.notify_all();
}

std::uint64_t OutcomeBell::rung() const {
    std::scoped_lock const lock{mutex_};
    return rung_;
}

void OutcomeBell::wait(std::uint64_t before, std::chrono::milliseconds at_most) {
    std::unique_lock lock{mutex_};
    wake_.wait_for(lock, at_most, [&] { return rung_ != before; });
}

Commands::Commands(Pool& pool, OutcomeBell& bell, std::shared_ptr<spdlog::logger> log, Options options)
    : pool_{pool}, bell_{bell}, log_{std::move(log)}, options_{options} {}

std::optional<api::StepReport> Commands::find(std::string const& id) {
    return pool_.read([&](Connection& connection) { return find_with(connection, id); });
}

api::Answer<api::StepReport> Commands::report(std::string const& id) {
    auto found = find(id);
    if (!found) {
        return api::Refusal{api::Refusal::Kind::not_found, "there is no step " + id, {}, {}};
    }
    return std::move(*found);
}

api::Answer<api::StepReport> Commands::forward(api::Command const& command) {
    auto const id = id_of(command);
    if (auto known = command.key ? find(id) : std::nullopt) {
        known->known_before = true;
        return await(std::move(*known));
    }
    std::vector<std::pair<std::string, std::string>> bodies;
    if (!command.site.empty()) {
        bodies.emplace_back(command.site, command.body);
    } else {
        auto const sites = pool_.read([&](Connection& connection) {
            return sites_of(connection, probes_in_sheet(command.body), command.only);
        });
        auto parts = split_sheet(command.body, [&](std::string const& probe) {
            auto const found = sites.find(probe);
            return found == sites.end() ? std::nullopt : std::optional{found->second};
        });
        if (!parts) {
            return parts.error();
        }
        for (auto& part : parts.value()) {
            bodies.emplace_back(std::move(part.site), std::move(part.csv));
        }
        if (bodies.empty()) {
            api::StepReport nothing_to_ask;
            nothing_to_ask.body_hash = command.body_hash;
            nothing_to_ask.outcome = all_refused(command.body, {});
            return nothing_to_ask;
        }
    }
    return await(keep(id, command, bodies));
}

// With those that wait for it in one transaction; who is to do it is told after, for it asks by itself too.
api::StepReport Commands::keep(std::string const& id, api::Command const& command,
                               std::vector<std::pair<std::string, std::string>> const& bodies) {
    auto lease = pool_.lend();
    {
        postgres::Transaction transaction{*lease};
        for (auto const& [site, body] : bodies) {
            lease->run(
                "WITH step AS (INSERT INTO probekeeper.steps (site_id, id, who, role, method, path, "
                "content_type, body, body_hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) "
                "ON CONFLICT (site_id, id) DO NOTHING RETURNING site_id, seq, id) "
                "INSERT INTO probekeeper.waiting_steps (site_id, seq, id) SELECT site_id, seq, id FROM step",
                {site, id, command.who, access::to_word(command.role), command.method, command.path,
                 command.content_type, body, command.body_hash});
        }
        transaction.commit();
    }
    auto report = find_with(*lease, id).value();
    for (auto const& site : report.waiting) {
        try {
            lease->run("SELECT pg_notify($1, $2)", {steps_channel, site});
        } catch (postgres::Error const& error) {
            log_->warn("event=site_not_called site={} why=\"{}\"", site, error.what());
            break;
        }
    }
    return report;
}

api::StepReport Commands::await(api::StepReport report) {
    auto const end = std::chrono::steady_clock::now() + options_.wait_for_outcome;
    {
        std::scoped_lock const lock{mutex_};
        if (report.outcome || waiting_ >= options_.most_waiting) {
            return report;
        }
        ++waiting_;
    }
    bool const known_before = report.known_before;
    auto rung = bell_.rung();
    try {
        while (!report.outcome && std::chrono::steady_clock::now() < end) {
            if (auto newer = find(report.id)) {
                report = std::move(*newer);
            }
            if (!report.outcome) {
                bell_.wait(rung, look_again);
                rung = bell_.rung();
            }
        }
    } catch (postgres::Error const& error) {  // the step is kept: what comes of it can be asked later
        log_->warn("event=outcome_not_read step={} why=\"{}\"", report.id, error.what());
    }
    report.known_before = known_before;
    std::scoped_lock const lock{mutex_};
    --waiting_;
    return report;
}

}  // namespace probekeeper::hub
