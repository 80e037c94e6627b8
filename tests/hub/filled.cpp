#include "hub/filled.h"

#include <spdlog/fmt/fmt.h>

#include <boost/json/serialize.hpp>

#include "document/diagnosis.h"
#include "document/probe.h"
#include "document/record.h"
#include "document/site.h"
#include "document/ticket.h"
#include "document/write.h"
#include "hub/rounds.h"
#include "hub/schema.h"

namespace probekeeper::tests {

namespace {

postgres::Options options_of(std::string const& conninfo) {
    postgres::Options options;
    options.conninfo = conninfo;
    return options;
}

diagnosis::Diagnosis diagnosis_of(Timestamp at, diagnosis::Condition condition) {
    diagnosis::Diagnosis d;
    d.at = at;
    d.condition = condition;
    return d;
}

}  // namespace

HubEstate::HubEstate(Cluster const& cluster, std::string const& conninfo) : db{cluster.connect(conninfo)} {
    hub::migrate(db);
}

void HubEstate::add_site(std::string const& id, std::string const& toml) {
    told_[id].site = fmt::format(
        "[[site]]\nid = \"{}\"\nname = \"The {}\"\nkind = \"aquaculture\"\nlatitude = 54.0\nlongitude = "
        "-3.0\n"
        "altitude_m = 4.0\nsalinity_psu = 31.0\n{}\n",
        id, id, toml);
    db.run(
        "INSERT INTO probekeeper.sites (site_id, daemon, heard_at) VALUES ($1, 'daemon of ' || $1, now()) ON "
        "CONFLICT DO NOTHING",
        {id});
    tell_site(id);
}

void HubEstate::tell_site(std::string const& id) {
    auto const toml = told_[id].site + told_[id].probes;
    auto const fleet = hub::site_fleet_of(toml).value();
    document::Site const site{fleet.sites.front(), {}};
    db.run("UPDATE probekeeper.sites SET document = $2, configuration = $3 WHERE site_id = $1",
           {id, document::write(document::to_json(site)), toml});
}

void HubEstate::add_probe(std::string const& site, std::string const& id, std::string const& toml,
                          diagnosis::Condition condition) {
    told_[site].probes +=
        fmt::format("[[probe]]\nid = \"{}\"\nsite = \"{}\"\nt90_s = 40.0\n{}\n", id, site, toml);
    tell_site(site);
    auto const fleet = hub::site_fleet_of(told_[site].site + told_[site].probes).value();
    auto probe = document::probe_of(fleet, fleet.find_probe(id).value());
    probe.condition = condition;
    probe.last_reading.emplace();
    probe.last_reading->time = at_hour(100.0);
    probe.last_reading->do_mg_l = 8.0;
    db.run(
        "INSERT INTO probekeeper.probes (site_id, probe_id, document, condition, diagnosis, diagnosis_at) "
        "VALUES "
        "($1, $2, $3, $4, $5, $6)",
        {site, id, document::write(document::to_json(probe)), diagnosis::to_word(condition),
         document::write(document::to_json(diagnosis_of(at_hour(100.0), condition), id)), at_hour(100.0)});
}

void HubEstate::add(service::Ticket const& ticket) {
    std::vector<std::string> reasons;
    for (auto const& reason : ticket.reasons) {
        reasons.emplace_back(diagnosis::to_word(reason.finding.reason));
    }
    db.run(
        "INSERT INTO probekeeper.tickets (site_id, number, probe_id, state, urgency, opened_at, updated_at, "
        "reasons, document) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (site_id, number) DO "
        "UPDATE "
        "SET state = excluded.state, document = excluded.document",
        {ticket.site, ticket.number, ticket.probe, service::to_word(ticket.state),
         service::to_word(ticket.urgency), ticket.opened_at, ticket.updated_at, reasons,
         document::write(document::to_json(ticket))});
}

void HubEstate::add(std::string const& site, service::KeptRecord const& record) {
    db.run(
        "INSERT INTO probekeeper.records (site_id, number, probe_id, time, serial, document) VALUES ($1, $2, "
        "$3, "
        "$4, $5, $6)",
        {site, record.number, record.record.probe, record.record.time, record.record.serial,
         document::write(document::to_json(record))});
}

void HubEstate::add(std::string const& site, std::string const& probe, diagnosis::ResponseTest const& test) {
    db.run(
        "INSERT INTO probekeeper.response_tests (site_id, probe_id, time, source, document) VALUES ($1, $2, "
        "$3, "
        "$4, $5)",
        {site, probe, test.time, diagnosis::to_word(test.source), document::write(document::to_json(test))});
}

void HubEstate::add_diagnosis(std::string const& site, std::string const& probe, Timestamp at,
                              diagnosis::Condition condition) {
    db.run(
        "INSERT INTO probekeeper.diagnoses (site_id, probe_id, at, condition, document) VALUES ($1, $2, $3, "
        "$4, "
        "$5)",
        {site, probe, at, diagnosis::to_word(condition),
         document::write(document::to_json(diagnosis_of(at, condition), probe))});
}

service::Ticket ticket_of(std::string const& site, std::int64_t number, std::string const& probe,
                          Timestamp opened, diagnosis::Reason reason) {
    service::Ticket t;
    t.id = fmt::format("{}-{}", site, number);
    t.number = number;
    t.site = site;
    t.probe = probe;
    t.urgency = service::Urgency::this_week;
    t.opened_at = t.updated_at = opened;
    t.due = opened + days(7.0);
    diagnosis::Finding f;
    f.reason = reason;
    f.raised_at = opened;
    f.probability = 0.99;
    f.text = "it is slow";
    t.reasons = {{f, std::nullopt}};
    t.work = {"wipe_membrane", "lift_test"};
    t.history = {{opened, service::State::open, "probekeeperd", "opened: it is slow"}};
    return t;
}

service::KeptRecord record_of(std::int64_t number, std::string const& probe, Timestamp time,
                              service::Work kind, std::string const& serial) {
    service::KeptRecord kept;
    kept.number = number;
    kept.record.time = time;
    kept.record.probe = probe;
    kept.record.kind = kind;
    kept.record.serial = serial;
    return kept;
}

RunningHub::RunningHub(std::string const& conninfo, Timestamp now_at, fleet::Fleet own,
                       hub::Commands::Options options)
    : now{now_at},
      pool{options_of(conninfo), 4},
      estate{std::move(own), log},
      commands{pool, bell, log, options} {
    auto const clock = [this] { return now; };
    rounds = std::make_unique<live::RoundDesk>(
        std::make_unique<hub::DatabaseRounds>(pool, estate, past, clock, log), log);
    backend = std::make_unique<hub::Backend>(
        "0", hub::Backend::Parts{pool, estate, past, commands, events, *rounds}, clock, log);
}

RunningHub::~RunningHub() = default;

fleet::Fleet contractor() {
    fleet::Fleet own;
    own.depots.push_back({"yard", "Yard", "", 54.1, -3.0, "UTC"});
    fleet::Technician technician;
    technician.id = technician.name = "t1";
    for (std::size_t day = 0; day < 5; ++day) {
        technician.hours[day] = fleet::HourSpan{480, 1020};
    }
    own.technicians.push_back(std::move(technician));
    own.rounds.search_seconds = 2.0;
    return own;
}

}  // namespace probekeeper::tests
