// What service has taught of all sites, and a customer's month.
#include "base/word.h"
#include "document/diagnosis.h"
#include "document/out_of_use.h"
#include "document/probe.h"
#include "document/record.h"
#include "document/ticket.h"
#include "hub/backend.h"
#include "hub/rounds.h"
#include "live/lesson_pages.h"
#include "live/month_source.h"

namespace probekeeper::hub {

using Kind = api::Refusal::Kind;
using postgres::Connection;

namespace {

using service::ConditionChange;

ConditionChange change_from(postgres::Rows const& rows, std::size_t row) {
    return {
        rows.time(row, 0).value_or(Timestamp{}),
        from_word(rows.text(row, 1), diagnosis::Condition::unknown).value_or(diagnosis::Condition::unknown)};
}

// Those that can be read.
template <typename T, typename Read>
std::vector<T> all_of(postgres::Rows const& rows, Read const& read) {
    std::vector<T> all;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        if (auto document = read(rows.text(i, 0))) {
            all.push_back(std::move(*document));
        }
    }
    return all;
}

std::vector<diagnosis::ResponseTest> tests_of(Connection& connection, std::string const& site,
                                              std::string const& probe, Timestamp from, Timestamp until) {
    auto const rows = connection.run(
        "SELECT document FROM probekeeper.response_tests WHERE site_id = $1 AND probe_id = $2 AND time >= $3 "
        "AND time < $4 ORDER BY time, source",
        {site, probe, from, until});
    return all_of<diagnosis::ResponseTest>(rows, document::response_test_of);
}

// The month as the probe had it. When the site's daemon was not running shows here only where no diagnosis
// was made for more than a day.
service::ReportedProbe reported(Connection& connection, fleet::Probe const& probe,
                                service::ReportSource const& source) {
    service::ReportedProbe out;
    out.id = probe.id;
    out.location = probe.location;
    auto const told = connection.run(
        "SELECT at, condition FROM probekeeper.diagnoses WHERE site_id = $1 AND probe_id = $2 AND at >= $3 "
        "AND "
        "at < $4 ORDER BY at",
        {source.site, probe.id, source.from - live::diagnosed_before, source.until});
    std::vector<ConditionChange> conditions;
    for (std::size_t i = 0; i < told.size(); ++i) {
        conditions.push_back(change_from(told, i));
    }
    auto const newest = connection.run(
        "SELECT diagnosis_at, condition FROM probekeeper.probes WHERE site_id = $1 AND probe_id = $2 AND "
        "diagnosis_at IS NOT NULL",
        {source.site, probe.id});
    out.conditions = live::conditions_of(
        std::move(conditions), newest.empty() ? std::nullopt : std::optional{change_from(newest, 0)}, {},
        source);
    out.tests = tests_of(connection, source.site, probe.id, source.from, source.until);
    return out;
}

service::ReportSource gathered(Connection& connection, live::History const& past, fleet::Fleet const& fleet,
                               fleet::SiteIndex index, service::ReportSource source) {
    auto const told = all_of<service::OutOfUse>(
        connection.run("SELECT document FROM probekeeper.out_of_use WHERE site_id = $1 ORDER BY number",
                       {source.site}),
        document::out_of_use_of);
    for (auto const& probe : fleet.probes) {
        if (probe.site == index) {
            source.probes.push_back(reported(connection, probe, source));
            source.probes.back().absences = service::absences_of(told, source.site, probe.id);
        }
    }
    source.tickets = all_of<service::Ticket>(
        connection.run(
            "SELECT document FROM probekeeper.tickets WHERE site_id = $1 ORDER BY opened_at, number",
            {source.site}),
        document::ticket_of);
    source.records = all_of<service::KeptRecord>(
        connection.run("SELECT document FROM probekeeper.records WHERE site_id = $1 ORDER BY time, number",
                       {source.site}),
        document::record_of);
    source.lives = live::lives_at(source.site, fleet, past, source.now);
    return source;
}

}  // namespace

api::Answer<api::SiteMonth> Backend::site_month(std::string const& id,
                                                std::optional<std::chrono::year_month> wanted) {
    return ask_database<api::SiteMonth>([&](Connection& connection) -> api::Answer<api::SiteMonth> {
        auto const estate = parts_.estate.now(connection);
        auto const index = estate->fleet->find_site(id);
        if (!index) {
            return api::Refusal{Kind::not_found, "there is no site " + id, {}, {}};
        }
        auto asked = live::month_asked(estate->fleet->sites[*index], wanted, now_());
        if (!asked) {
            return asked.error();
        }
        auto const past = parts_.past.now(connection, *estate);
        auto report = service::month_report(
            gathered(connection, *past, *estate->fleet, *index, std::move(asked->source)));
        return api::SiteMonth{asked->month, std::move(report), std::move(asked->facts)};
    });
}

api::Answer<api::Page<service::ReasonTally>> Backend::findings(std::optional<std::string> const& site,
                                                               api::PageRequest const& page) {
    return ask_database<api::Page<service::ReasonTally>>([&](Connection& connection) {
        auto const estate = parts_.estate.now(connection);
        return live::findings_page(*estate->fleet, *parts_.past.now(connection, *estate), site, page);
    });
}

api::Answer<api::Page<service::LifeStatistics>> Backend::membrane_statistics(
    std::optional<std::string> const& site, api::PageRequest const& page) {
    return ask_database<api::Page<service::LifeStatistics>>([&](Connection& connection) {
        auto const estate = parts_.estate.now(connection);
        return live::statistics_page(*estate->fleet, *parts_.past.now(connection, *estate), site, now_(),
                                     page);
    });
}

api::Answer<api::Page<service::MembraneLife>> Backend::membranes(std::string const& probe,
                                                                 api::PageRequest const& page) {
    using Lives = api::Page<service::MembraneLife>;
    return ask_database<Lives>([&](Connection& connection) -> api::Answer<Lives> {
        if (auto const place = place_of(connection, probe); !place) {
            return place.error();
        }
        auto const estate = parts_.estate.now(connection);
        return live::membranes_page(*estate->fleet, *parts_.past.now(connection, *estate), probe, now_(),
                                    page);
    });
}

api::Answer<api::Page<document::Instrument>> Backend::instruments(std::vector<std::string> const& only,
                                                                  api::PageRequest const& page) {
    return ask_database<api::Page<document::Instrument>>([&](Connection& connection) {
        auto const estate = parts_.estate.now(connection);
        return live::instruments_page(*parts_.past.now(connection, *estate), only, page);
    });
}

api::Answer<document::Instrument> Backend::instrument(std::string const& serial,
                                                      std::vector<std::string> const& only) {
    return ask_database<document::Instrument>([&](Connection& connection) {
        auto const estate = parts_.estate.now(connection);
        auto const responses = [&](document::InstrumentStay const& stay) {
            auto const tests =
                tests_of(connection, stay.site, stay.probe, stay.from.value_or(from_unix_ms(0)),
                         stay.until.value_or(now_() + std::chrono::days{1}));
            return api::Answer<std::vector<document::ResponseDay>>{live::response_days(stay, tests)};
        };
        return live::instrument_of(*estate->fleet, *parts_.past.now(connection, *estate), serial, only,
                                   now_(), responses);
    });
}

api::Answer<service::PartsDemand> Backend::parts_demand(std::optional<std::string> const& site, int weeks) {
    return ask_database<service::PartsDemand>(
        [&](Connection& connection) -> api::Answer<service::PartsDemand> {
            auto const estate = parts_.estate.now(connection);
            auto const& fleet = *estate->fleet;
            if (auto const refusal = live::refuse_unknown_site(site, fleet)) {
                return *refusal;
            }
            auto const past = parts_.past.now(connection, *estate);
            DatabaseFacts facts{connection};
            std::map<std::string, service::Ticket> tickets;
            for (auto& ticket : facts.unfinished_tickets()) {
                auto const probe = ticket.probe;
                tickets.emplace(probe, std::move(ticket));
            }
            std::map<std::string, diagnosis::Forecast> forecasts;
            for (auto const& expected : facts.expected()) {
                forecasts.emplace(expected.probe, expected.forecast);
            }
            auto const told = facts.out_of_use();
            auto const now = now_();
            std::vector<live::Candidate> candidates;
            for (fleet::ProbeIndex probe = 0; probe < fleet.probes.size(); ++probe) {
                auto const& facts_of = fleet.probes[probe];
                auto const& site_id = fleet.sites[facts_of.site].id;
                if (site && site_id != *site) {
                    continue;
                }
                auto const absences = service::absences_of(told, site_id, facts_of.id);
                bool const parked = std::any_of(absences.begin(), absences.end(), [&](auto const& absence) {
                    return absence.from <= now && now < absence.until;  // wears nothing meanwhile
                });
                if (parked) {
                    continue;
                }
                auto const ticket = tickets.find(facts_of.id);
                auto const forecast = forecasts.find(facts_of.id);
                candidates.push_back(
                    {probe, ticket == tickets.end() ? std::nullopt : std::optional{ticket->second},
                     forecast == forecasts.end() ? std::nullopt : std::optional{forecast->second}});
            }
            auto const lives = live::lives_of(fleet, *past, now);
            return service::parts_demand(live::next_membranes(fleet, candidates, lives, *past->instruments),
                                         now, weeks);
        });
}

}  // namespace probekeeper::hub
