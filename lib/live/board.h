// What is known just now, for whoever asks: the newest reading of each probe, its condition and diagnosis,
// its unfinished ticket, the state of the lines. Thread-safe; every call is short.
#pragma once

#include <atomic>
#include <cstdint>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "api/events.h"
#include "base/reading.h"
#include "diagnosis/verdict.h"
#include "document/probe.h"
#include "document/site.h"
#include "fieldbus/fault.h"
#include "fleet/fleet.h"
#include "scada/layout.h"
#include "service/ticket.h"

namespace probekeeper::live {

class Board {
public:
    // `events` must outlive the board.
    Board(std::shared_ptr<fleet::Fleet const> fleet, api::EventHub& events);

    void show_reading(fleet::ProbeIndex probe, Reading const& reading);
    void show_diagnosis(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis, std::string document);
    // Between two diagnoses; the next one tells it too.
    void show_service_state(fleet::ProbeIndex probe, diagnosis::ServiceState state);
    // The newest ticket of a probe; a finished one is shown no longer.
    void show_ticket(service::Ticket const& ticket);
    void show_serial(fleet::ProbeIndex probe, std::string serial);
    void show_line(fleet::LineIndex line, bool up, std::string why);

    // How often something above was shown: what is read after it was asked for is no older.
    [[nodiscard]] std::uint64_t changes() const { return changes_; }

    // Where what changes is told.
    [[nodiscard]] api::EventHub& events() { return events_; }
    [[nodiscard]] fleet::Fleet const& fleet() const { return *fleet_; }
    [[nodiscard]] document::Probe probe(fleet::ProbeIndex probe) const;
    [[nodiscard]] document::Site site(fleet::SiteIndex site) const;
    // JSON; empty before the first one.
    [[nodiscard]] std::string diagnosis(fleet::ProbeIndex probe) const;
    // Unfinished tickets by (state, reason): one with several reasons that stand counts for each.
    [[nodiscard]] std::map<std::pair<std::string, std::string>, std::size_t> ticket_counts() const;
    // What tells when the probe wants its next membrane.
    struct Need {
        diagnosis::ServiceState state = diagnosis::ServiceState::in_service;
        std::optional<service::Ticket> ticket;  // its unfinished one
        std::optional<diagnosis::Forecast> forecast;
    };
    [[nodiscard]] Need need(fleet::ProbeIndex probe) const;
    [[nodiscard]] std::optional<Timestamp> newest_reading(fleet::ProbeIndex probe) const;
    [[nodiscard]] bool is_out_of_use(fleet::ProbeIndex probe) const;

    struct Lines {
        std::size_t up = 0, down = 0;
        std::vector<std::string> troubles;  // "line ID is down: why"
    };
    [[nodiscard]] Lines lines() const;
    [[nodiscard]] bool line_is_up(fleet::LineIndex line) const;

    // For SCADA, at `now`. The numbers of each probe and each site, in the fleet's order.
    [[nodiscard]] scada::EstateNow estate(std::vector<std::int64_t> const& probes,
                                          std::vector<std::int64_t> const& sites, Timestamp now) const;

private:
    struct ProbeNow {
        std::optional<Reading> last;
        diagnosis::Condition condition = diagnosis::Condition::unknown;
        diagnosis::ServiceState state = diagnosis::ServiceState::in_service;
        std::optional<diagnosis::Forecast> forecast;
        std::string diagnosis;
        std::shared_ptr<service::Ticket const> ticket;  // null for most, who so pay nothing for it
        scada::ProbeNow told;                           // its numbers of diagnosis and ticket only
        std::optional<std::string> serial;              // by a record, which outranks the configuration
    };
    struct LineNow {
        bool known = false, up = false;
        std::string why;
    };

    [[nodiscard]] static std::optional<Reading> marked(ProbeNow const& now);

    std::shared_ptr<fleet::Fleet const> fleet_;
    api::EventHub& events_;
    std::atomic<std::uint64_t> changes_{0};  // changed while mutex_ is held
    mutable std::mutex mutex_;               // guards the following
    std::vector<ProbeNow> probes_;
    std::vector<LineNow> lines_;
};

}  // namespace probekeeper::live
