#include "live/board.h"

#include <spdlog/fmt/fmt.h>

#include "diagnosis/service_change.h"

namespace probekeeper::live {

Board::Board(std::shared_ptr<fleet::Fleet const> fleet, api::EventHub& events)
    : fleet_{std::move(fleet)},
      events_{events},
      probes_(fleet_->probes.size()),
      lines_(fleet_->lines.size()) {}

void Board::show_reading(fleet::ProbeIndex probe, Reading const& reading) {
    std::scoped_lock const lock{mutex_};
    ++changes_;
    auto& last = probes_[probe].last;
    if (!last || last->time < reading.time) {
        last = reading;
    }
}

void Board::show_diagnosis(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis,
                           std::string document) {
    std::scoped_lock const lock{mutex_};
    ++changes_;
    probes_[probe].condition = diagnosis.condition;
    probes_[probe].state = diagnosis.service_state;
    probes_[probe].forecast = diagnosis.forecast;
    scada::tell(probes_[probe].told, diagnosis);
    probes_[probe].diagnosis = std::move(document);
}

void Board::show_service_state(fleet::ProbeIndex probe, diagnosis::ServiceState state) {
    std::scoped_lock const lock{mutex_};
    ++changes_;
    probes_[probe].state = state;
}

void Board::show_ticket(service::Ticket const& ticket) {
    auto const index = fleet_->find_probe(ticket.probe);
    if (!index) {
        return;
    }
    std::scoped_lock const lock{mutex_};
    ++changes_;
    auto& now = probes_[*index];
    now.ticket.reset();
    now.told.ticket.reset();
    if (!service::is_finished(ticket.state)) {
        now.ticket = std::make_shared<service::Ticket const>(ticket);
        now.told.ticket = {ticket.number, ticket.state, ticket.urgency, ticket.due, ticket.seen.has_value()};
    }
}

std::map<std::pair<std::string, std::string>, std::size_t> Board::ticket_counts() const {
    std::map<std::pair<std::string, std::string>, std::size_t> counts;
    std::scoped_lock const lock{mutex_};
    for (auto const& probe : probes_) {
        if (!probe.ticket) {
            continue;
        }
        for (auto const& reason : probe.ticket->reasons) {
            if (!reason.cleared_at) {
                ++counts[{std::string{service::to_word(probe.ticket->state)},
                          std::string{diagnosis::to_word(reason.finding.reason)}}];
            }
        }
    }
    return counts;
}

void Board::show_serial(fleet::ProbeIndex probe, std::string serial) {
    std::scoped_lock const lock{mutex_};
    ++changes_;
    probes_[probe].serial = std::move(serial);
}

void Board::show_line(fleet::LineIndex line, bool up, std::string why) {
    std::scoped_lock const lock{mutex_};
    lines_[line] = {true, up, std::move(why)};
}

// Whether somebody is at work shows a little after the readings: the newest one is marked by what is known
// now.
std::optional<Reading> Board::marked(ProbeNow const& now) {
    auto last = now.last;
    if (last && diagnosis::is_handled(now.state)) {
        last->marks = static_cast<std::uint16_t>(last->marks | mark_service);
    }
    return last;
}

document::Probe Board::probe(fleet::ProbeIndex index) const {
    auto probe = document::probe_of(*fleet_, index);
    std::scoped_lock const lock{mutex_};
    auto const& now = probes_[index];
    probe.condition = now.condition;
    probe.service_state = now.state;
    probe.open_ticket = now.ticket ? std::optional{now.ticket->id} : std::nullopt;
    probe.last_reading = marked(now);
    probe.serial = now.serial.value_or(probe.serial);
    return probe;
}

document::Site Board::site(fleet::SiteIndex index) const {
    document::Site site{fleet_->sites[index], {}};
    std::scoped_lock const lock{mutex_};
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        if (fleet_->probes[i].site == index) {
            site.count(probes_[i].condition);
        }
    }
    return site;
}

std::string Board::diagnosis(fleet::ProbeIndex probe) const {
    std::scoped_lock const lock{mutex_};
    return probes_[probe].diagnosis;
}

Board::Need Board::need(fleet::ProbeIndex probe) const {
    std::scoped_lock const lock{mutex_};
    auto const& now = probes_[probe];
    return {now.state, now.ticket ? std::optional{*now.ticket} : std::nullopt, now.forecast};
}

std::optional<Timestamp> Board::newest_reading(fleet::ProbeIndex probe) const {
    std::scoped_lock const lock{mutex_};
    auto const& last = probes_[probe].last;
    return last ? std::optional{last->time} : std::nullopt;
}

bool Board::is_out_of_use(fleet::ProbeIndex probe) const {
    std::scoped_lock const lock{mutex_};
    return probes_[probe].state == diagnosis::ServiceState::out_of_use;
}

Board::Lines Board::lines() const {
    Lines lines;
    std::scoped_lock const lock{mutex_};
    for (std::size_t i = 0; i < lines_.size(); ++i) {
        if (lines_[i].up) {
            ++lines.up;
        } else {
            ++lines.down;
            auto const why = lines_[i].known ? lines_[i].why : std::string{"not opened yet"};
            lines.troubles.push_back(fmt::format("line {} is down: {}", fleet_->lines[i].id, why));
        }
    }
    return lines;
}

bool Board::line_is_up(fleet::LineIndex line) const {
    std::scoped_lock const lock{mutex_};
    return lines_[line].up;
}

scada::EstateNow Board::estate(std::vector<std::int64_t> const& probes,
                               std::vector<std::int64_t> const& sites, Timestamp now) const {
    scada::EstateNow estate;
    estate.now = now;
    for (std::size_t i = 0; i < sites.size(); ++i) {
        estate.sites.push_back({sites[i], fleet_->sites[i].id, 0, 0});
    }
    estate.probes.reserve(probes.size());
    std::scoped_lock const lock{mutex_};
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        auto probe = probes_[i].told;
        probe.number = probes[i];
        probe.id = fleet_->probes[i].id;
        probe.site = fleet_->probes[i].site;
        probe.condition = probes_[i].condition;
        probe.state = probes_[i].state;
        probe.last_reading = marked(probes_[i]);
        estate.probes.push_back(std::move(probe));
    }
    for (std::size_t i = 0; i < lines_.size(); ++i) {
        auto& site = estate.sites[fleet_->lines[i].site];
        ++(lines_[i].up ? site.lines_up : site.lines_down);
    }
    return estate;
}

}  // namespace probekeeper::live
