// Answers the HTTP API for all sites out of the hub's database. Nothing that matters is kept here, so that
// any number of hubs may answer for the same database: what is kept is read again when the database says that
// it changed.
#pragma once

#include <spdlog/logger.h>

#include <atomic>
#include <functional>
#include <memory>

#include "api/backend.h"
#include "hub/commands.h"
#include "hub/estate.h"
#include "hub/follower.h"
#include "hub/past.h"
#include "hub/pool.h"
#include "live/round_desk.h"

namespace probekeeper::hub {

class Backend final : public api::Backend {
public:
    struct Parts {
        Pool& pool;
        Estate& estate;
        Past& past;
        Commands& commands;
        api::EventHub& events;
        live::RoundDesk& rounds;
    };

    // All must outlive it.
    Backend(std::string version, Parts parts, std::function<Timestamp()> now,
            std::shared_ptr<spdlog::logger> log);

    [[nodiscard]] bool is_hub() const override { return true; }
    api::Answer<api::StepReport> forward(api::Command const& command) override;
    api::Answer<api::StepReport> step_report(std::string const& id) override;

    api::EventHub& events() override { return parts_.events; }
    api::Answer<std::vector<api::Event>> stored_events(std::int64_t after, std::size_t most) override;
    void note_change(api::Change const& change) override;
    api::Answer<api::Page<api::Change>> changes(api::PageRequest const& page) override;
    void write_metrics(api::MetricsText& out) override;
    api::Answer<std::string> scada_points(api::ProbeFilter const& filter) override;
    api::Answer<document::Health> health() override;

    // In lists.cpp.
    api::Answer<api::Page<document::Site>> sites(std::vector<std::string> const& only,
                                                 api::PageRequest const& page) override;
    api::Answer<document::Site> site(std::string const& id) override;
    api::Answer<api::Page<document::Probe>> probes(api::ProbeFilter const& filter,
                                                   api::PageRequest const& page) override;
    api::Answer<document::Probe> probe(std::string const& id) override;
    api::Answer<std::string> diagnosis(std::string const& probe) override;
    api::Answer<api::Page<std::string>> diagnoses(std::string const& probe, api::TimeRange const& range,
                                                  api::PageRequest const& page) override;
    api::Answer<api::Page<Reading>> readings(std::string const& probe, api::TimeRange const& range,
                                             api::PageRequest const& page) override;
    api::Answer<api::Page<document::Step>> steps(std::string const& probe, api::TimeRange const& range,
                                                 Millis step, api::PageRequest const& page) override;
    api::Answer<api::Page<diagnosis::ResponseTest>> response_tests(std::string const& probe,
                                                                   std::optional<Timestamp> from,
                                                                   api::PageRequest const& page) override;
    api::Answer<api::Page<service::KeptRecord>> service_records(std::string const& probe,
                                                                api::PageRequest const& page) override;
    api::Answer<api::Page<service::Ticket>> tickets(api::TicketFilter const& filter,
                                                    api::PageRequest const& page) override;
    api::Answer<service::Ticket> ticket(std::string const& id) override;
    api::Answer<api::Page<service::OutOfUse>> out_of_use(std::string const& site,
                                                         std::optional<std::string> const& probe,
                                                         api::PageRequest const& page) override;

    // Commands on what a site keeps: whether there is such a thing, and then elsewhere.
    api::Answer<api::TakenRecord> add_record(service::Record const& record,
                                             api::Keep<api::TakenRecord> const& keep) override;
    api::Answer<api::RecordSheet> add_records(std::string const& csv, std::vector<std::string> const& only,
                                              api::Keep<api::RecordSheet> const& keep) override;
    api::Answer<service::Ticket> step(std::string const& ticket, api::TicketStep const& take,
                                      api::Keep<service::Ticket> const& keep) override;
    api::Answer<service::KeptRecord> void_record(std::string const& probe, std::int64_t number,
                                                 std::string const& by, std::string const& why,
                                                 api::Keep<service::KeptRecord> const& keep) override;
    api::Answer<service::OutOfUse> set_out_of_use(service::OutOfUse const& told,
                                                  api::Keep<service::OutOfUse> const& keep) override;
    api::Answer<api::Upload> add_readings(std::filesystem::path const& file,
                                          std::vector<std::string> const& only,
                                          api::Keep<api::Upload> const& keep) override;
    api::Answer<std::optional<api::KeptAnswer>> kept_answer(std::string const& token, std::string const& path,
                                                            std::string const& key) override;

    api::Answer<api::WeekRound> round(zone::Week week) override { return parts_.rounds.round(week); }
    api::Answer<api::WeekRound> publish_round(zone::Week week, std::string const& by,
                                              api::Keep<api::WeekRound> const& keep) override {
        return parts_.rounds.publish(week, by, keep);
    }
    api::Answer<api::WeekRound> replan_round(zone::Week week, std::string const& by,
                                             api::Keep<api::WeekRound> const& keep) override {
        return parts_.rounds.replan(week, by, keep);
    }

    // In lessons.cpp.
    api::Answer<api::SiteMonth> site_month(std::string const& site,
                                           std::optional<std::chrono::year_month> month) override;
    api::Answer<api::Page<service::ReasonTally>> findings(std::optional<std::string> const& site,
                                                          api::PageRequest const& page) override;
    api::Answer<api::Page<service::LifeStatistics>> membrane_statistics(
        std::optional<std::string> const& site, api::PageRequest const& page) override;
    api::Answer<service::PartsDemand> parts_demand(std::optional<std::string> const& site,
                                                   int weeks) override;
    api::Answer<api::Page<service::MembraneLife>> membranes(std::string const& probe,
                                                            api::PageRequest const& page) override;
    api::Answer<api::Page<document::Instrument>> instruments(std::vector<std::string> const& only,
                                                             api::PageRequest const& page) override;
    api::Answer<document::Instrument> instrument(std::string const& serial,
                                                 std::vector<std::string> const& only) override;

private:
    // What `ask` answers out of the database, or that it cannot be asked.
    template <typename T, typename Ask>
    [[nodiscard]] api::Answer<T> ask_database(Ask const& ask) {
        try {
            return parts_.pool.read(
                [&](postgres::Connection& connection) -> api::Answer<T> { return ask(connection); });
        } catch (std::exception const& error) {
            return silent(error);
        }
    }
    [[nodiscard]] api::Refusal silent(std::exception const& error);
    template <typename T>
    [[nodiscard]] api::Answer<T> to_site_of(std::string const& probe);

    std::string version_;
    Parts parts_;
    std::function<Timestamp()> now_;
    std::shared_ptr<spdlog::logger> log_;
    std::atomic<bool> told_silent_{false};
    std::chrono::steady_clock::time_point started_ = std::chrono::steady_clock::now();
};

// The site of a probe, removed ones too, and whether it is still configured. Refused: not_found, and conflict
// where two sites have a probe of that id.
struct ProbePlace {
    std::string site;
    bool configured = true;
};
[[nodiscard]] api::Answer<ProbePlace> place_of(postgres::Connection& connection, std::string const& probe);

}  // namespace probekeeper::hub
