// A hub's database filled as sites' daemons would fill it, by plain SQL.
#pragma once

#include <spdlog/sinks/null_sink.h>

#include <memory>
#include <string>

#include "base/time.h"
#include "hub/backend.h"
#include "hub/cluster.h"
#include "service/record.h"
#include "service/ticket.h"

namespace probekeeper::tests {

inline Timestamp const day_one = parse_rfc3339("2026-11-02T00:00:00Z").value();

inline Timestamp at_hour(double hours) {
    return day_one + seconds(3600.0 * hours);
}

struct HubEstate {
    // An empty database, laid out.
    HubEstate(Cluster const& cluster, std::string const& conninfo);

    // `toml`: what stands in its [[site]] beside id, kind and place.
    void add_site(std::string const& id, std::string const& toml = {});
    // Its configuration is told anew with it.
    void add_probe(std::string const& site, std::string const& id, std::string const& toml = {},
                   diagnosis::Condition condition = diagnosis::Condition::good);
    void add(service::Ticket const& ticket);
    void add(std::string const& site, service::KeptRecord const& record);
    void add(std::string const& site, std::string const& probe, diagnosis::ResponseTest const& test);
    void add_diagnosis(std::string const& site, std::string const& probe, Timestamp at,
                       diagnosis::Condition condition);

    postgres::Connection db;

private:
    void tell_site(std::string const& id);
    struct Told {
        std::string site, probes;
    };
    std::map<std::string, Told> told_;
};

// Of one unfinished ticket with one reason.
[[nodiscard]] service::Ticket ticket_of(std::string const& site, std::int64_t number,
                                        std::string const& probe, Timestamp opened,
                                        diagnosis::Reason reason = diagnosis::Reason::slow_response);
[[nodiscard]] service::KeptRecord record_of(std::int64_t number, std::string const& probe, Timestamp time,
                                            service::Work kind, std::string const& serial = {});

// A hub over such a database, without its server.
struct RunningHub {
    RunningHub(std::string const& conninfo, Timestamp now, fleet::Fleet own = {},
               hub::Commands::Options commands = {std::chrono::milliseconds{200}, 24});
    ~RunningHub();

    Timestamp now;
    std::shared_ptr<spdlog::logger> log =
        std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::null_sink_mt>());
    hub::Pool pool;
    hub::Estate estate;
    hub::Past past;
    hub::OutcomeBell bell;
    hub::Commands commands;
    api::EventHub events;
    std::unique_ptr<live::RoundDesk> rounds;
    std::unique_ptr<hub::Backend> backend;
};

// Two depots' worth of what a hub configures itself.
[[nodiscard]] fleet::Fleet contractor();

}  // namespace probekeeper::tests
