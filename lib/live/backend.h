// Answers the HTTP API out of the board, the keeper and the store.
#pragma once

#include <functional>
#include <memory>
#include <mutex>
#include <shared_mutex>

#include "api/backend.h"
#include "live/board.h"
#include "live/keeper.h"
#include "live/stamp_clock.h"
#include "store/reader_pool.h"
#include "store/writer.h"

namespace probekeeper::live {

class Backend final : public api::Backend {
public:
    // All must outlive the backend.
    Backend(std::string version, store::Writer const& writer, store::ReaderPool& readers, StampClock const& clock,
            std::filesystem::path store_file);

    // What to answer from; both null while the daemon is starting or reloading, which is answered 503.
    void use(std::shared_ptr<Board> board, std::shared_ptr<Keeper> keeper);

    api::Answer<document::Health> health() override;
    api::Answer<api::Page<document::Site>> sites(api::PageRequest const& page) override;
    api::Answer<document::Site> site(std::string const& id) override;
    api::Answer<api::Page<document::Probe>> probes(api::ProbeFilter const& filter,
                                                   api::PageRequest const& page) override;
    api::Answer<document::Probe> probe(std::string const& id) override;
    api::Answer<std::string> diagnosis(std::string const& probe) override;
    api::Answer<api::Page<std::string>> diagnoses(std::string const& probe, api::TimeRange const& range,
                                                  api::PageRequest const& page) override;
    api::Answer<api::Page<Reading>> readings(std::string const& probe, api::TimeRange const& range,
                                             api::PageRequest const& page) override;
    api::Answer<api::Page<document::Step>> steps(std::string const& probe, api::TimeRange const& range, Millis step,
                                                 api::PageRequest const& page) override;
    api::Answer<api::Page<diagnosis::ResponseTest>> response_tests(std::string const& probe,
                                                                   std::optional<Timestamp> from,
                                                                   api::PageRequest const& page) override;
    api::Answer<api::Page<service::KeptRecord>> service_records(std::string const& probe,
                                                                api::PageRequest const& page) override;
    api::Answer<api::Page<service::Ticket>> tickets(api::TicketFilter const& filter,
                                                    api::PageRequest const& page) override;
    api::Answer<service::Ticket> ticket(std::string const& id) override;
    api::Answer<service::KeptRecord> add_record(service::Record const& record,
                                                api::Keep<service::KeptRecord> const& keep) override;
    api::Answer<service::Ticket> acknowledge(std::string const& ticket, std::string const& by,
                                             std::string const& note,
                                             api::Keep<service::Ticket> const& keep) override;
    api::Answer<service::Ticket> close(std::string const& ticket, std::string const& by, service::Found found,
                                       std::string const& note, api::Keep<service::Ticket> const& keep) override;
    api::Answer<std::optional<api::KeptAnswer>> kept_answer(std::string const& path,
                                                            std::string const& key) override;

private:
    struct Parts {
        std::shared_ptr<Board> board;
        std::shared_ptr<Keeper> keeper;
    };
    [[nodiscard]] api::Answer<Parts> parts() const;
    template <typename T>
    [[nodiscard]] api::Answer<T> ask_store(std::function<store::Result<T>(store::Reader&)> const& ask);
    // Configured now, or known to the store from before.
    [[nodiscard]] std::optional<api::Refusal> refuse_unknown(std::string const& probe);
    [[nodiscard]] std::pair<Timestamp, Timestamp> range_of(std::string const& probe, api::TimeRange const& range);

    std::string version_;
    store::Writer const& writer_;
    store::ReaderPool& readers_;
    StampClock const& clock_;
    std::filesystem::path store_file_;
    std::chrono::steady_clock::time_point started_ = std::chrono::steady_clock::now();
    mutable std::mutex mutex_;  // guards parts_
    Parts parts_;
};

}  // namespace probekeeper::live
