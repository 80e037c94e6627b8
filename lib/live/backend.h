// Answers the HTTP API out of the board, the keeper and the store.
#pragma once

#include <spdlog/logger.h>

#include <atomic>
#include <functional>
#include <memory>
#include <mutex>
#include <shared_mutex>

#include "api/backend.h"
#include "fieldbus/poller.h"
#include "live/arrivals.h"
#include "live/board.h"
#include "live/companion.h"
#include "live/keeper.h"
#include "live/lessons.h"
#include "live/round_desk.h"
#include "live/stamp_clock.h"
#include "store/reader_pool.h"
#include "store/writer.h"

namespace probekeeper::live {

using Workers = std::vector<std::unique_ptr<fieldbus::LineWorker>>;

class Backend final : public api::Backend {
public:
    // What there is to answer from; all null while the daemon is starting or reloading, which is answered
    // 503.
    struct Parts {
        std::shared_ptr<Board> board;
        std::shared_ptr<Keeper> keeper;
        std::shared_ptr<Workers const> workers;
        std::vector<store::ProbeKey> keys;  // of the fleet's probes
        std::shared_ptr<RoundDesk> rounds;
        std::vector<std::int64_t> site_numbers;  // of the fleet's sites, for SCADA
    };

    // All must outlive the backend.
    Backend(std::string version, store::Writer& writer, store::ReaderPool& readers, Arrivals& arrivals,
            StampClock const& clock, std::filesystem::path store_file, api::EventHub& events,
            api::Latencies const& commits, std::shared_ptr<spdlog::logger> log);

    void use(Parts parts);
    // Who says in health and metrics how it goes; null: nobody.
    void accompany(std::shared_ptr<Companion> companion);

    [[nodiscard]] std::optional<api::DataVersion> version_of(api::Listed what) const override;
    api::EventHub& events() override { return events_; }
    api::Answer<std::vector<api::Event>> stored_events(std::int64_t after, std::size_t most) override;
    void note_change(api::Change const& change) override;
    api::Answer<api::Page<api::Change>> changes(api::PageRequest const& page) override;
    void write_metrics(api::MetricsText& out) override;

    api::Answer<std::string> scada_points(api::ProbeFilter const& filter) override;

    api::Answer<document::Health> health() override;
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
    api::Answer<api::TakenRecord> add_record(service::Record const& record,
                                             api::Keep<api::TakenRecord> const& keep) override;
    api::Answer<api::RecordSheet> add_records(std::string const& csv, std::vector<std::string> const& only,
                                              api::Keep<api::RecordSheet> const& keep) override;
    api::Answer<api::SiteMonth> site_month(std::string const& site,
                                           std::optional<std::chrono::year_month> month) override;
    // In backend_service.cpp.
    api::Answer<service::KeptRecord> void_record(std::string const& probe, std::int64_t number,
                                                 std::string const& by, std::string const& why,
                                                 api::Keep<service::KeptRecord> const& keep) override;
    api::Answer<service::OutOfUse> set_out_of_use(service::OutOfUse const& told,
                                                  api::Keep<service::OutOfUse> const& keep) override;
    api::Answer<api::Page<service::OutOfUse>> out_of_use(std::string const& site,
                                                         std::optional<std::string> const& probe,
                                                         api::PageRequest const& page) override;
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
    api::Answer<service::Ticket> step(std::string const& ticket, api::TicketStep const& take,
                                      api::Keep<service::Ticket> const& keep) override;
    api::Answer<api::WeekRound> round(zone::Week week) override;
    api::Answer<api::WeekRound> publish_round(zone::Week week, std::string const& by,
                                              api::Keep<api::WeekRound> const& keep) override;
    api::Answer<api::WeekRound> replan_round(zone::Week week, std::string const& by,
                                             api::Keep<api::WeekRound> const& keep) override;
    api::Answer<api::Upload> add_readings(std::filesystem::path const& file,
                                          std::vector<std::string> const& only,
                                          api::Keep<api::Upload> const& keep) override;
    api::Answer<std::optional<api::KeptAnswer>> kept_answer(std::string const& token, std::string const& path,
                                                            std::string const& key) override;

private:
    [[nodiscard]] api::Answer<Parts> parts() const;
    [[nodiscard]] std::shared_ptr<Companion> companion() const;
    void write_probes(api::MetricsText& out, Board const& board) const;
    [[nodiscard]] api::Refusal refusal_of(store::Failure const& failure);
    template <typename T>
    [[nodiscard]] api::Answer<T> ask_store(std::function<store::Result<T>(store::Reader&)> const& ask) {
        auto lease = readers_.lend();
        if (!lease) {
            return refusal_of(lease.error());
        }
        auto result = ask(*lease.value());
        if (!result) {
            return refusal_of(result.error());
        }
        return std::move(result.value());
    }
    // All records and tickets, read once as long as none changes.
    [[nodiscard]] api::Answer<std::shared_ptr<History const>> history(Parts const& now);
    template <typename T, typename Ask>
    [[nodiscard]] api::Answer<T> of_history(Ask const& ask);
    // Configured now, or known to the store from before.
    [[nodiscard]] std::optional<api::Refusal> refuse_unknown(std::string const& probe);
    [[nodiscard]] std::pair<Timestamp, Timestamp> range_of(std::string const& probe,
                                                           api::TimeRange const& range);

    std::string version_;
    store::Writer& writer_;
    store::ReaderPool& readers_;
    Arrivals& arrivals_;
    StampClock const& clock_;
    std::filesystem::path store_file_;
    api::EventHub& events_;
    api::Latencies const& commits_;
    std::shared_ptr<spdlog::logger> log_;
    std::atomic<bool> found_damaged_{false};  // by somebody who asked for what lies there
    std::chrono::steady_clock::time_point started_ = std::chrono::steady_clock::now();
    mutable std::mutex mutex_;  // guards the following
    Parts parts_;
    std::shared_ptr<Companion> companion_;
    std::uint64_t generation_ = 0;  // of parts_, of this process
    struct {
        std::shared_ptr<History const> past;
        Keeper const* keeper = nullptr;  // whose version it is
        std::uint64_t version = 0;
    } history_;
};

}  // namespace probekeeper::live
