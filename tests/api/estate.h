// A small estate in memory behind the real server: two sites, three probes, one ticket book.
#pragma once

#include <atomic>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <vector>

#include "api/backend.h"
#include "api/server.h"
#include "service/ticket_book.h"

class Estate : public probekeeper::api::Backend {
public:
    template <typename T>
    using Answer = probekeeper::api::Answer<T>;
    template <typename T>
    using Page = probekeeper::api::Page<T>;
    using PageRequest = probekeeper::api::PageRequest;

    Estate();

    probekeeper::api::EventHub& events() override { return hub; }
    Answer<std::vector<probekeeper::api::Event>> stored_events(std::int64_t after, std::size_t most) override;
    void note_change(probekeeper::api::Change const& change) override;
    Answer<Page<probekeeper::api::Change>> changes(PageRequest const& page) override;
    void write_metrics(probekeeper::api::MetricsText& out) override;
    Answer<std::string> scada_points(probekeeper::api::ProbeFilter const& filter) override;
    Answer<probekeeper::document::Health> health() override;
    Answer<Page<probekeeper::document::Site>> sites(std::vector<std::string> const& only,
                                                    PageRequest const& page) override;
    Answer<probekeeper::document::Site> site(std::string const& id) override;
    Answer<Page<probekeeper::document::Probe>> probes(probekeeper::api::ProbeFilter const& filter,
                                                      PageRequest const& page) override;
    Answer<probekeeper::document::Probe> probe(std::string const& id) override;
    Answer<std::string> diagnosis(std::string const& probe) override;
    Answer<Page<std::string>> diagnoses(std::string const& probe, probekeeper::api::TimeRange const& range,
                                        PageRequest const& page) override;
    Answer<Page<probekeeper::Reading>> readings(std::string const& probe,
                                                probekeeper::api::TimeRange const& range,
                                                PageRequest const& page) override;
    Answer<Page<probekeeper::document::Step>> steps(std::string const& probe,
                                                    probekeeper::api::TimeRange const& range,
                                                    probekeeper::Millis step,
                                                    PageRequest const& page) override;
    Answer<Page<probekeeper::diagnosis::ResponseTest>> response_tests(
        std::string const& probe, std::optional<probekeeper::Timestamp> from,
        PageRequest const& page) override;
    Answer<Page<probekeeper::service::KeptRecord>> service_records(std::string const& probe,
                                                                   PageRequest const& page) override;
    Answer<Page<probekeeper::service::Ticket>> tickets(probekeeper::api::TicketFilter const& filter,
                                                       PageRequest const& page) override;
    Answer<probekeeper::service::Ticket> ticket(std::string const& id) override;
    Answer<probekeeper::api::TakenRecord> add_record(
        probekeeper::service::Record const& record,
        probekeeper::api::Keep<probekeeper::api::TakenRecord> const& keep) override;
    // Takes every line but the first as an inspection of tank-1, and refuses "bad".
    Answer<probekeeper::api::RecordSheet> add_records(
        std::string const& csv, std::vector<std::string> const& only,
        probekeeper::api::Keep<probekeeper::api::RecordSheet> const& keep) override;
    Answer<probekeeper::api::SiteMonth> site_month(std::string const& site,
                                                   std::optional<std::chrono::year_month> month) override;
    Answer<probekeeper::service::Ticket> step(
        std::string const& ticket, probekeeper::api::TicketStep const& take,
        probekeeper::api::Keep<probekeeper::service::Ticket> const& keep) override;
    Answer<probekeeper::service::KeptRecord> void_record(
        std::string const& probe, std::int64_t number, std::string const& by, std::string const& why,
        probekeeper::api::Keep<probekeeper::service::KeptRecord> const& keep) override;
    Answer<probekeeper::service::OutOfUse> set_out_of_use(
        probekeeper::service::OutOfUse const& told,
        probekeeper::api::Keep<probekeeper::service::OutOfUse> const& keep) override;
    Answer<Page<probekeeper::service::OutOfUse>> out_of_use(std::string const& site,
                                                            std::optional<std::string> const& probe,
                                                            PageRequest const& page) override;
    Answer<Page<probekeeper::service::ReasonTally>> findings(std::optional<std::string> const& site,
                                                             PageRequest const& page) override;
    Answer<Page<probekeeper::service::LifeStatistics>> membrane_statistics(
        std::optional<std::string> const& site, PageRequest const& page) override;
    Answer<probekeeper::service::PartsDemand> parts_demand(std::optional<std::string> const& site,
                                                           int weeks) override;
    Answer<Page<probekeeper::service::MembraneLife>> membranes(std::string const& probe,
                                                               PageRequest const& page) override;
    Answer<Page<probekeeper::document::Instrument>> instruments(std::vector<std::string> const& only,
                                                                PageRequest const& page) override;
    Answer<probekeeper::document::Instrument> instrument(std::string const& serial,
                                                         std::vector<std::string> const& only) override;
    // Takes every row that has four cells; tank-1 is polled.
    Answer<probekeeper::api::Upload> add_readings(
        std::filesystem::path const& file, std::vector<std::string> const& only,
        probekeeper::api::Keep<probekeeper::api::Upload> const& keep) override;
    // One stop at site "a"; replanning is not possible here.
    Answer<probekeeper::api::WeekRound> round(probekeeper::zone::Week week) override;
    Answer<probekeeper::api::WeekRound> publish_round(
        probekeeper::zone::Week week, std::string const& by,
        probekeeper::api::Keep<probekeeper::api::WeekRound> const& keep) override;
    Answer<probekeeper::api::WeekRound> replan_round(
        probekeeper::zone::Week week, std::string const& by,
        probekeeper::api::Keep<probekeeper::api::WeekRound> const& keep) override;
    Answer<std::optional<probekeeper::api::KeptAnswer>> kept_answer(std::string const& token,
                                                                    std::string const& path,
                                                                    std::string const& key) override;

    probekeeper::api::EventHub hub{1000};
    std::vector<probekeeper::api::Event> stored;  // of before this process
    std::vector<probekeeper::api::Change> noted;
    std::filesystem::path uploaded;                  // the newest upload's file
    std::atomic<int> uploads{0};                     // that were taken
    std::function<void()> before_diagnosis = [] {};  // runs within diagnosis(): waits, or throws
    bool disk_full = false;                          // commands are refused

private:
    std::mutex mutex_;
    std::vector<probekeeper::document::Site> sites_;
    std::vector<probekeeper::document::Probe> probes_;
    std::vector<probekeeper::Reading> readings_;  // of tank-1
    std::vector<probekeeper::service::KeptRecord> records_;
    std::vector<probekeeper::service::OutOfUse> parked_;
    probekeeper::service::TicketBook book_;
    std::map<std::tuple<std::string, std::string, std::string>, probekeeper::api::KeptAnswer> kept_;

    Answer<probekeeper::service::Ticket> stepped(
        probekeeper::service::StepResult result,
        probekeeper::api::Keep<probekeeper::service::Ticket> const& keep);
    [[nodiscard]] std::vector<probekeeper::service::MembraneLife> lives();
    [[nodiscard]] bool knows_probe(std::string const& id) const;
};

extern probekeeper::Timestamp const estate_time;

// A real server on a free port over an estate.
struct Served {
    explicit Served(probekeeper::api::Limits limits = {}, std::vector<std::string> allow_origins = {});
    Served(probekeeper::api::Limits limits, probekeeper::api::AccessRules rules,
           std::shared_ptr<probekeeper::api::Tls> tls = nullptr);
    explicit Served(probekeeper::api::Options options);
    Estate estate;
    std::atomic<std::int64_t> ahead_ms{0};  // of its clock before estate_time
    std::unique_ptr<probekeeper::api::Server> server;
    [[nodiscard]] std::uint16_t port() const { return server->port(); }
};
