// Lists and single things out of the hub's database. Each statement goes by an index whose first column is
// the site or the order of the list: tests/hub/plans_test.cpp holds them to it.
#include <spdlog/fmt/fmt.h>

#include <map>

#include "api/query.h"
#include "base/word.h"
#include "document/diagnosis.h"
#include "document/out_of_use.h"
#include "document/record.h"
#include "document/ticket.h"
#include "hub/backend.h"
#include "hub/documents.h"
#include "hub/minutes.h"
#include "hub/position.h"
#include "live/lesson_pages.h"
#include "live/refusals.h"
#include "store/reader.h"

namespace probekeeper::hub {

using Kind = api::Refusal::Kind;
using postgres::Connection;
using postgres::Rows;
using postgres::Value;

namespace {

// A statement that is put together of constants, and its values in the order in which they come.
class Statement {
public:
    explicit Statement(std::string_view sql) : sql_{sql} {}
    // `$` stands for the value.
    Statement& add(std::string_view sql, Value value) {
        values_.push_back(std::move(value));
        auto const place = sql.find('$');
        sql_ += fmt::format("{}${}{}", sql.substr(0, place), values_.size(), sql.substr(place + 1));
        return *this;
    }
    Statement& add(std::string_view sql) {
        sql_ += sql;
        return *this;
    }
    [[nodiscard]] Rows run(Connection& connection) const { return connection.run(sql_, values_); }

private:
    std::string sql_;
    std::vector<Value> values_;
};

std::vector<document::Site> sites_of(Connection& connection, Rows const& rows) {
    std::vector<document::Site> sites;
    std::vector<std::string> ids;
    for (auto& facts : documents<fleet::Site>(rows, 0, document::site_facts_of)) {
        ids.push_back(facts.id);
        sites.push_back({std::move(facts), {}});
    }
    auto const counts = connection.run(
        "SELECT site_id, condition, count(*) FROM probekeeper.probes WHERE site_id = ANY($1) AND removed_at "
        "IS "
        "NULL GROUP BY site_id, condition",
        {ids});
    std::map<std::string, std::size_t, std::less<>> places;
    for (std::size_t i = 0; i < ids.size(); ++i) {
        places.emplace(ids[i], i);
    }
    for (std::size_t i = 0; i < counts.size(); ++i) {
        auto const place = places.find(counts.text(i, 0));
        auto const condition = from_word(counts.text(i, 1), diagnosis::Condition::unknown);
        if (place != places.end() && condition) {
            sites[place->second].probes[static_cast<std::size_t>(*condition)] +=
                static_cast<std::size_t>(counts.integer(i, 2));
        }
    }
    return sites;
}

}  // namespace

// --- sites and probes

api::Answer<api::Page<document::Site>> Backend::sites(std::vector<std::string> const& only,
                                                      api::PageRequest const& page) {
    auto const position = position_in(page, 1);
    if (!position) {
        return position.error();
    }
    return ask_database<api::Page<document::Site>>([&](Connection& connection) {
        Statement statement{
            "SELECT document FROM probekeeper.sites WHERE removed_at IS NULL AND document IS NOT NULL"};
        statement.add(" AND site_id > $", *position ? (*position)->front() : std::string{});
        if (!only.empty()) {
            statement.add(" AND site_id = ANY($)", only);
        }
        statement.add(" ORDER BY site_id LIMIT $", page.limit + 1);
        auto sites = sites_of(connection, statement.run(connection));
        return cut(std::move(sites), page.limit, [](document::Site const& site) { return site.facts.id; });
    });
}

api::Answer<document::Site> Backend::site(std::string const& id) {
    return ask_database<document::Site>([&](Connection& connection) -> api::Answer<document::Site> {
        auto sites =
            sites_of(connection, connection.run("SELECT document FROM probekeeper.sites WHERE site_id = "
                                                "$1 AND removed_at IS NULL AND document IS NOT NULL",
                                                {id}));
        if (sites.empty()) {
            return api::Refusal{Kind::not_found, "there is no site " + id, {}, {}};
        }
        return std::move(sites.front());
    });
}

namespace {

std::optional<document::Probe> probe_from(std::string_view text) {
    return document::probe_of(text);
}

bool is_site(Connection& connection, std::string const& id) {
    return !connection.run("SELECT FROM probekeeper.sites WHERE site_id = $1 AND removed_at IS NULL", {id})
                .empty();
}

api::Refusal no_site(std::string const& id) {
    return {Kind::invalid, "there is no site " + id, "site", {}};
}

}  // namespace

api::Answer<api::Page<document::Probe>> Backend::probes(api::ProbeFilter const& filter,
                                                        api::PageRequest const& page) {
    using Probes = api::Page<document::Probe>;
    auto const position = position_in(page, 2);
    if (!position) {
        return position.error();
    }
    return ask_database<Probes>([&](Connection& connection) -> api::Answer<Probes> {
        if (filter.site && !is_site(connection, *filter.site)) {
            return no_site(*filter.site);
        }
        auto const after = position->value_or(std::vector<std::string>(2));
        Statement statement{"SELECT document FROM probekeeper.probes WHERE removed_at IS NULL"};
        statement.add(" AND (probe_id, site_id) > ($,", after[0]).add("$)", after[1]);
        if (filter.site) {
            statement.add(" AND site_id = $", *filter.site);
        }
        if (!filter.sites.empty()) {
            statement.add(" AND site_id = ANY($)", filter.sites);
        }
        if (filter.condition) {
            statement.add(" AND condition = $", diagnosis::to_word(*filter.condition));
        }
        statement.add(" ORDER BY probe_id, site_id LIMIT $", page.limit + 1);
        auto found = documents<document::Probe>(statement.run(connection), 0, probe_from);
        return cut(std::move(found), page.limit,
                   [](document::Probe const& probe) { return fmt::format("{},{}", probe.id, probe.site); });
    });
}

api::Answer<document::Probe> Backend::probe(std::string const& id) {
    return ask_database<document::Probe>([&](Connection& connection) -> api::Answer<document::Probe> {
        auto const place = place_of(connection, id);
        if (!place) {
            return place.error();
        }
        if (!place->configured) {
            return api::Refusal{Kind::not_found, "there is no probe " + id, {}, {}};
        }
        auto found = documents<document::Probe>(
            connection.run("SELECT document FROM probekeeper.probes WHERE site_id = $1 AND probe_id = $2",
                           {place->site, id}),
            0, probe_from);
        return std::move(found.front());
    });
}

// --- what a probe has shown

namespace {

// From `from` up to and with the probe's newest reading, or as asked for.
std::pair<Timestamp, Timestamp> range_of(Connection& connection, std::string const& site,
                                         std::string const& probe, api::TimeRange const& range,
                                         Timestamp now) {
    auto newest = now;
    if (!range.to) {
        auto const rows = connection.run(
            "SELECT document FROM probekeeper.probes WHERE site_id = $1 AND probe_id = $2", {site, probe});
        auto const known = rows.empty() ? std::nullopt : probe_from(rows.text(0, 0));
        if (known && known->last_reading) {
            newest = known->last_reading->time;
        }
    }
    auto const to = range.to.value_or(newest + Millis{1});
    return {range.from.value_or(to - std::chrono::days{1}), to};
}

}  // namespace

api::Answer<std::string> Backend::diagnosis(std::string const& probe) {
    return ask_database<std::string>([&](Connection& connection) -> api::Answer<std::string> {
        auto const place = place_of(connection, probe);
        if (!place) {
            return place.error();
        }
        auto const rows =
            connection.run("SELECT diagnosis FROM probekeeper.probes WHERE site_id = $1 AND probe_id = $2",
                           {place->site, probe});
        if (rows.empty() || rows.null(0, 0)) {
            return api::Refusal{Kind::unavailable, "this probe has not been diagnosed yet", {}, {}};
        }
        return std::string{rows.text(0, 0)};
    });
}

api::Answer<api::Page<std::string>> Backend::diagnoses(std::string const& probe, api::TimeRange const& range,
                                                       api::PageRequest const& page) {
    using Texts = api::Page<std::string>;
    auto const position = time_position_in(page, 1);
    if (!position) {
        return position.error();
    }
    return ask_database<Texts>([&](Connection& connection) -> api::Answer<Texts> {
        auto const place = place_of(connection, probe);
        if (!place) {
            return place.error();
        }
        auto const [from, to] = range_of(connection, place->site, probe, range, now_());
        auto const rows = connection.run(
            "SELECT at, document FROM probekeeper.diagnoses WHERE site_id = $1 AND probe_id = $2 AND at >= "
            "$3 "
            "AND at < $4 AND at > $5 ORDER BY at LIMIT $6",
            {place->site, probe, from, to, *position ? (*position)->front() : "-infinity", page.limit + 1});
        Texts out;
        for (std::size_t i = 0; i < std::min(rows.size(), page.limit); ++i) {
            out.items.emplace_back(rows.text(i, 1));
        }
        if (rows.size() > page.limit) {
            out.next = position_of(rows.time(page.limit - 1, 0).value_or(Timestamp{}));
        }
        return out;
    });
}

api::Answer<api::Page<Reading>> Backend::readings(std::string const& probe, api::TimeRange const& /*range*/,
                                                  api::PageRequest const& /*page*/) {
    auto const place = ask_database<ProbePlace>([&](Connection& c) { return place_of(c, probe); });
    if (!place) {
        return place.error();
    }
    return api::Refusal{
        Kind::invalid,
        "readings at their full rate stay with the site: ask its daemon, or here with step_s of "
        "whole minutes",
        "step_s",
        {}};
}

namespace {

Hour hour_from(Rows const& rows, std::size_t row) {
    Hour hour;
    hour.start = rows.time(row, 0).value_or(Timestamp{});
    for (auto const minute : rows.numbers(row, 1)) {
        hour.minutes.push_back(static_cast<std::int64_t>(minute));
    }
    for (auto const count : rows.numbers(row, 2)) {
        hour.counts.push_back(static_cast<std::int64_t>(count));
    }
    for (std::size_t q = 0; q < shown_quantities; ++q) {
        auto const first = static_cast<int>(3 + 4 * q);
        auto& quantity = hour.quantities[q];
        quantity.count = rows.numbers(row, first);
        quantity.min = rows.numbers(row, first + 1);
        quantity.sum = rows.numbers(row, first + 2);
        quantity.max = rows.numbers(row, first + 3);
    }
    return hour;
}

// Whole steps from `from` on, one more than `limit` at most; the hour that is not over is the site's yet.
std::vector<document::Step> read_steps(Connection& connection, std::string const& site,
                                       std::string const& probe, StepMaker maker, std::size_t limit) {
    constexpr std::int64_t hours_at_once = 500;
    auto next = std::chrono::floor<std::chrono::hours>(maker.first());
    while (maker.steps().size() <= limit + 1) {  // the last one may not be whole
        auto const rows = connection.run(
            "SELECT hour, minutes, counts, do_mg_l_count, do_mg_l_min, do_mg_l_sum, do_mg_l_max, "
            "do_percent_count, do_percent_min, do_percent_sum, do_percent_max, temperature_c_count, "
            "temperature_c_min, temperature_c_sum, temperature_c_max FROM probekeeper.summaries WHERE "
            "site_id = "
            "$1 AND probe_id = $2 AND hour >= $3 AND hour < $4 ORDER BY hour LIMIT $5",
            {site, probe, Timestamp{next}, maker.end(), hours_at_once});
        for (std::size_t i = 0; i < rows.size(); ++i) {
            maker.add(hour_from(rows, i));
        }
        if (rows.size() < static_cast<std::size_t>(hours_at_once)) {
            break;
        }
        next = std::chrono::floor<std::chrono::hours>(rows.time(rows.size() - 1, 0).value()) +
               std::chrono::hours{1};
    }
    maker.finish();
    return std::move(maker.steps());
}

}  // namespace

api::Answer<api::Page<document::Step>> Backend::steps(std::string const& probe, api::TimeRange const& range,
                                                      Millis step, api::PageRequest const& page) {
    using Steps = api::Page<document::Step>;
    auto const position = time_position_in(page, 1);
    if (!position) {
        return position.error();
    }
    if (step % std::chrono::minutes{1} != Millis{0}) {
        return api::Refusal{
            Kind::invalid,
            "step_s must be whole minutes here, such as 60 or 3600: finer readings stay with the "
            "site",
            "step_s",
            {}};
    }
    return ask_database<Steps>([&](Connection& connection) -> api::Answer<Steps> {
        auto const place = place_of(connection, probe);
        if (!place) {
            return place.error();
        }
        auto [from, to] = range_of(connection, place->site, probe, range, now_());
        if (*position) {
            from = std::max(from, parse_rfc3339((*position)->front()).value() + step);
        }
        if (from >= to) {
            return Steps{};
        }
        auto steps = read_steps(connection, place->site, probe, StepMaker{from, to, step}, page.limit);
        return cut(std::move(steps), page.limit,
                   [](document::Step const& last) { return position_of(last.start); });
    });
}

api::Answer<api::Page<diagnosis::ResponseTest>> Backend::response_tests(std::string const& probe,
                                                                        std::optional<Timestamp> from,
                                                                        api::PageRequest const& page) {
    using Tests = api::Page<diagnosis::ResponseTest>;
    auto const position = time_position_in(page, 2);
    if (!position) {
        return position.error();
    }
    return ask_database<Tests>([&](Connection& connection) -> api::Answer<Tests> {
        auto const place = place_of(connection, probe);
        if (!place) {
            return place.error();
        }
        auto const after = position->value_or(std::vector<std::string>{"-infinity", ""});
        auto tests = documents<diagnosis::ResponseTest>(
            connection.run(
                "SELECT document FROM probekeeper.response_tests WHERE site_id = $1 AND probe_id = $2 "
                "AND time >= $3 AND (time, source) > ($4, $5) ORDER BY time, source LIMIT $6",
                {place->site, probe, from.value_or(from_unix_ms(0)), after[0], after[1], page.limit + 1}),
            0, document::response_test_of);
        return cut(std::move(tests), page.limit, [](diagnosis::ResponseTest const& test) {
            return position_of(test.time, diagnosis::to_word(test.source));
        });
    });
}

// --- what people did and rely on

api::Answer<api::Page<service::KeptRecord>> Backend::service_records(std::string const& probe,
                                                                     api::PageRequest const& page) {
    using Records = api::Page<service::KeptRecord>;
    auto const position = time_position_in(page, 2);
    if (!position) {
        return position.error();
    }
    return ask_database<Records>([&](Connection& connection) -> api::Answer<Records> {
        auto const place = place_of(connection, probe);
        if (!place) {
            return place.error();
        }
        auto const after = position->value_or(std::vector<std::string>{"-infinity", "0"});
        auto records = documents<service::KeptRecord>(
            connection.run(
                "SELECT document FROM probekeeper.records WHERE site_id = $1 AND probe_id = $2 AND "
                "(time, number) > ($3, $4) ORDER BY time, number LIMIT $5",
                {place->site, probe, after[0], after[1], page.limit + 1}),
            0, document::record_of);
        return cut(std::move(records), page.limit, [](service::KeptRecord const& kept) {
            return position_of(kept.record.time, std::to_string(kept.number));
        });
    });
}

api::Answer<api::Page<service::Ticket>> Backend::tickets(api::TicketFilter const& filter,
                                                         api::PageRequest const& page) {
    using Tickets = api::Page<service::Ticket>;
    auto const position = time_position_in(page, 3);
    if (!position) {
        return position.error();
    }
    auto const after = position->value_or(std::vector<std::string>{"-infinity", "", "0"});
    return ask_database<Tickets>([&](Connection& connection) {
        Statement statement{"SELECT document FROM probekeeper.tickets WHERE"};
        statement.add(" (opened_at, site_id, number) > ($,", after[0])
            .add("$,", after[1])
            .add("$)", after[2]);
        if (filter.site) {
            statement.add(" AND site_id = $", *filter.site);
        }
        if (filter.probe) {
            statement.add(" AND probe_id = $", *filter.probe);
            // Of whichever sites have such a probe, so that their index serves.
            statement.add(
                " AND site_id = ANY(ARRAY(SELECT site_id FROM probekeeper.probes WHERE probe_id = $))",
                *filter.probe);
        }
        if (filter.state) {
            statement.add(" AND state = $", service::to_word(*filter.state));
            if (!service::is_finished(
                    *filter.state)) {  // else PostgreSQL does not see that a small index serves
                statement.add(" AND state NOT IN ('verified', 'closed', 'withdrawn')");
            }
        }
        if (filter.reason) {
            statement.add(" AND reasons @> ARRAY[$]", diagnosis::to_word(*filter.reason));
        }
        statement.add(" ORDER BY opened_at, site_id, number LIMIT $", page.limit + 1);
        auto found = documents<service::Ticket>(statement.run(connection), 0, document::ticket_of);
        return cut(std::move(found), page.limit, [](service::Ticket const& t) {
            return position_of(t.opened_at, fmt::format("{},{}", t.site, t.number));
        });
    });
}

api::Answer<service::Ticket> Backend::ticket(std::string const& id) {
    auto const name = store::ticket_name(id);
    return ask_database<service::Ticket>([&](Connection& connection) -> api::Answer<service::Ticket> {
        auto found =
            name ? documents<service::Ticket>(
                       connection.run("SELECT document FROM probekeeper.tickets WHERE site_id = $1 AND "
                                      "number = $2",
                                      {name->site, name->number}),
                       0, document::ticket_of)
                 : std::vector<service::Ticket>{};
        if (found.empty()) {
            return api::Refusal{Kind::not_found, "there is no ticket " + id, {}, {}};
        }
        return std::move(found.front());
    });
}

api::Answer<api::Page<service::OutOfUse>> Backend::out_of_use(std::string const& site,
                                                              std::optional<std::string> const& probe,
                                                              api::PageRequest const& page) {
    using Parked = api::Page<service::OutOfUse>;
    return ask_database<Parked>([&](Connection& connection) {
        auto told = documents<service::OutOfUse>(
            connection.run("SELECT document FROM probekeeper.out_of_use WHERE site_id = $1 ORDER BY number",
                           {site}),
            0, document::out_of_use_of);
        return live::out_of_use_page(std::move(told), site, probe, page);
    });
}

}  // namespace probekeeper::hub
