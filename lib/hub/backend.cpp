#include "hub/backend.h"

#include <spdlog/fmt/fmt.h>

#include "hub/position.h"
#include "hub/rounds.h"
#include "store/reader.h"

namespace probekeeper::hub {

using Kind = api::Refusal::Kind;
using postgres::Connection;

namespace {

api::Refusal elsewhere(std::string site) {
    return {Kind::elsewhere, "it is the site's", std::move(site), {}};
}

}  // namespace

Backend::Backend(std::string version, Parts parts, std::function<Timestamp()> now,
                 std::shared_ptr<spdlog::logger> log)
    : version_{std::move(version)}, parts_{parts}, now_{std::move(now)}, log_{std::move(log)} {}

api::Refusal Backend::silent(std::exception const& error) {
    log_->error("event=database_not_asked why=\"{}\"", error.what());
    return {Kind::unavailable, "the hub's database cannot be asked just now", {}, {}};
}

api::Answer<ProbePlace> place_of(Connection& connection, std::string const& probe) {
    auto const rows = connection.run(
        "SELECT site_id, removed_at IS NULL FROM probekeeper.probes WHERE probe_id = $1 ORDER BY removed_at "
        "IS NOT NULL, site_id LIMIT 2",
        {probe});
    if (rows.empty()) {
        return api::Refusal{Kind::not_found, "there is no probe " + probe, {}, {}};
    }
    if (rows.size() > 1 && rows.boolean(1, 1)) {
        return api::Refusal{Kind::conflict,
                            fmt::format("sites {} and {} both have a probe {}: rename one of them",
                                        rows.text(0, 0), rows.text(1, 0), probe),
                            {},
                            {}};
    }
    return ProbePlace{std::string{rows.text(0, 0)}, rows.boolean(0, 1)};
}

// --- commands

template <typename T>
api::Answer<T> Backend::to_site_of(std::string const& probe) {
    auto const place = ask_database<ProbePlace>([&](Connection& c) { return place_of(c, probe); });
    if (!place) {
        return place.error();
    }
    return place->configured ? elsewhere(place->site)
                             : api::Refusal{Kind::not_found, "there is no probe " + probe, {}, {}};
}

api::Answer<api::TakenRecord> Backend::add_record(service::Record const& record,
                                                  api::Keep<api::TakenRecord> const& /*keep*/) {
    return to_site_of<api::TakenRecord>(record.probe);
}

api::Answer<service::KeptRecord> Backend::void_record(std::string const& probe, std::int64_t /*number*/,
                                                      std::string const& /*by*/, std::string const& /*why*/,
                                                      api::Keep<service::KeptRecord> const& /*keep*/) {
    return to_site_of<service::KeptRecord>(probe);
}

api::Answer<api::RecordSheet> Backend::add_records(std::string const& /*csv*/,
                                                   std::vector<std::string> const& /*only*/,
                                                   api::Keep<api::RecordSheet> const& /*keep*/) {
    return elsewhere({});
}

api::Answer<service::OutOfUse> Backend::set_out_of_use(service::OutOfUse const& told,
                                                       api::Keep<service::OutOfUse> const& /*keep*/) {
    return elsewhere(told.site);
}

api::Answer<service::Ticket> Backend::step(std::string const& id, api::TicketStep const& /*take*/,
                                           api::Keep<service::Ticket> const& /*keep*/) {
    auto const known = ticket(id);
    return known ? elsewhere(known->site) : known.error();
}

api::Answer<api::Upload> Backend::add_readings(std::filesystem::path const& /*file*/,
                                               std::vector<std::string> const& /*only*/,
                                               api::Keep<api::Upload> const& /*keep*/) {
    return api::Refusal{Kind::conflict,
                        "readings stay with the sites: send them to the daemon of the site, which diagnoses "
                        "them",
                        {},
                        {}};
}

api::Answer<api::StepReport> Backend::forward(api::Command const& command) {
    try {
        return parts_.commands.forward(command);
    } catch (postgres::Error const& error) {
        log_->error("event=step_not_kept path={} why=\"{}\"", command.path, error.what());
        return api::Refusal{Kind::unavailable,
                            "the hub's database cannot be asked just now; send it again, with the same "
                            "Idempotency-Key if it had one",
                            {},
                            {}};
    }
}

api::Answer<api::StepReport> Backend::step_report(std::string const& id) {
    try {
        return parts_.commands.report(id);
    } catch (postgres::Error const& error) {
        return silent(error);
    }
}

api::Answer<std::optional<api::KeptAnswer>> Backend::kept_answer(std::string const& token,
                                                                 std::string const& path,
                                                                 std::string const& key) {
    return ask_database<std::optional<api::KeptAnswer>>([&](Connection& connection) {
        auto const rows = connection.run(
            "SELECT body_hash, status, body FROM probekeeper.kept_answers WHERE token = $1 AND path = $2 AND "
            "key = $3 AND at > now() - interval '7 days'",
            {token, path, key});
        return rows.empty() ? std::optional<api::KeptAnswer>{}
                            : std::optional{api::KeptAnswer{token, path, key, std::string{rows.text(0, 0)},
                                                            static_cast<int>(rows.integer(0, 1)),
                                                            std::string{rows.text(0, 2)}}};
    });
}

// --- what happens

api::Answer<std::vector<api::Event>> Backend::stored_events(std::int64_t after, std::size_t most) {
    return ask_database<std::vector<api::Event>>(
        [&](Connection& connection) { return events_after(connection, after, most); });
}

// Called on the API's pool, where it may wait; what was asked of a site is in the log of steps as well.
void Backend::note_change(api::Change const& change) {
    try {
        auto lease = parts_.pool.lend();
        lease->run(
            "INSERT INTO probekeeper.changes (at, who, address, method, path, status) VALUES ($1, $2, $3, "
            "$4, "
            "$5, $6)",
            {change.at, change.who, change.address, change.method, change.path, change.status});
    } catch (postgres::Error const& error) {
        log_->error("event=change_not_noted who={} path={} why=\"{}\"", change.who, change.path,
                    error.what());
    }
}

api::Answer<api::Page<api::Change>> Backend::changes(api::PageRequest const& page) {
    auto const position = position_in(page, 1);
    if (!position) {
        return position.error();
    }
    auto const before = *position ? (*position)->front() : std::to_string(INT64_MAX);
    if (before.find_first_not_of("0123456789") != std::string::npos || before.empty() || before.size() > 19) {
        return position_in({page.limit, ","}, 1).error();
    }
    return ask_database<api::Page<api::Change>>([&](Connection& connection) {
        auto const rows = connection.run(
            "SELECT at, who, address, method, path, status, id FROM probekeeper.changes WHERE id < $1 ORDER "
            "BY id DESC LIMIT $2",
            {before, page.limit + 1});
        api::Page<api::Change> out;
        for (std::size_t i = 0; i < std::min(rows.size(), page.limit); ++i) {
            out.items.push_back({rows.time(i, 0).value_or(Timestamp{}), std::string{rows.text(i, 1)},
                                 std::string{rows.text(i, 2)}, std::string{rows.text(i, 3)},
                                 std::string{rows.text(i, 4)}, static_cast<int>(rows.integer(i, 5))});
        }
        if (rows.size() > page.limit) {
            out.next = std::string{rows.text(page.limit - 1, 6)};
        }
        return out;
    });
}

// --- how it is

api::Answer<std::string> Backend::scada_points(api::ProbeFilter const& /*filter*/) {
    return api::Refusal{
        Kind::not_found, "a hub has no Modbus server; the daemon of a site has its tag list", {}, {}};
}

namespace {

struct Silence {
    std::int64_t sites = 0, silent = 0, waiting = 0, bytes = 0;
    std::optional<Timestamp> oldest;
};

// A daemon that has been heard of this hour is well as far as the hub knows.
Silence silence_of(Connection& connection) {
    auto const rows = connection.run(
        "SELECT (SELECT count(*) FROM probekeeper.sites WHERE removed_at IS NULL), (SELECT count(*) FROM "
        "probekeeper.sites s JOIN probekeeper.feeds f USING (daemon) WHERE s.removed_at IS NULL AND "
        "f.heard_at < now() - interval '1 hour'), (SELECT count(*) FROM probekeeper.waiting_steps), "
        "pg_database_size(current_database()), (SELECT s.made_at FROM probekeeper.waiting_steps w JOIN "
        "probekeeper.steps s USING (site_id, id) ORDER BY w.seq LIMIT 1)");
    return {rows.integer(0, 0), rows.integer(0, 1), rows.integer(0, 2), rows.integer(0, 3), rows.time(0, 4)};
}

}  // namespace

api::Answer<document::Health> Backend::health() {
    document::Health health;
    health.version = version_;
    health.uptime_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - started_).count();
    auto const found = ask_database<Silence>(silence_of);
    health.store_ok = found.has_value();
    if (!found) {
        health.store_problem = "the hub's database cannot be asked just now; the log says why";
        health.status = document::Health::Status::failing;
        return health;
    }
    health.store_bytes = static_cast<std::uint64_t>(found->bytes);
    health.queues.push_back({"steps", static_cast<std::uint64_t>(found->waiting), 0, 0});
    if (found->silent > 0) {
        health.warnings.push_back(
            fmt::format("sites not heard of for more than an hour: {} of {}", found->silent, found->sites));
    }
    if (found->oldest && now_() - *found->oldest > std::chrono::hours{1}) {
        health.warnings.push_back(
            fmt::format("steps wait for their sites since {}", to_rfc3339(*found->oldest)));
    }
    health.status =
        health.warnings.empty() ? document::Health::Status::ok : document::Health::Status::degraded;
    return health;
}

void Backend::write_metrics(api::MetricsText& out) {
    using enum api::MetricsText::Type;
    auto const number = [](auto count) { return static_cast<double>(count); };
    out.family("uptime_seconds", gauge, "seconds", "Since the daemon started");
    out.sample({}, std::chrono::duration<double>(std::chrono::steady_clock::now() - started_).count());
    auto const counts = parts_.pool.counts();
    out.family("hub_connections", gauge, "", "Connections to the hub's database");
    out.sample({{"state", "open"}}, number(counts.open));
    out.sample({{"state", "in_use"}}, number(counts.lent));
    out.family("hub_connects", counter, "", "Attempts to connect to the hub's database");
    out.sample({{"result", "good"}}, number(counts.opened));
    out.sample({{"result", "failed"}}, number(counts.failed));
    auto const found = ask_database<Silence>(silence_of);
    out.family("hub_database_up", gauge, "", "0 while the hub's database cannot be asked");
    out.sample({}, found ? 1.0 : 0.0);
    if (!found) {
        return;
    }
    out.family("hub_sites", gauge, "", "Sites, and those that have not been heard of for more than an hour");
    out.sample({{"state", "all"}}, number(found->sites));
    out.sample({{"state", "silent"}}, number(found->silent));
    out.family("hub_steps_waiting", gauge, "", "Steps that their sites have not answered yet");
    out.sample({}, number(found->waiting));
    out.family("hub_database_bytes", gauge, "bytes", "Size of the hub's database");
    out.sample({}, number(found->bytes));
}

}  // namespace probekeeper::hub
