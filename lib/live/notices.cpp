#include "live/notices.h"

#include <algorithm>
#include <set>

#include "live/tell.h"
#include "notify/mail.h"
#include "notify/webhook.h"

namespace probekeeper::live {

Notices::Notices(std::shared_ptr<fleet::Fleet const> fleet, std::vector<fleet::NoticeSettings> receivers,
                 store::Writer& writer, std::filesystem::path const& store, StampClock const& clock,
                 std::shared_ptr<spdlog::logger> log)
    : fleet_{std::move(fleet)},
      receivers_{std::move(receivers)},
      clock_{clock},
      log_{std::move(log)},
      begun_{clock.now()},
      shown_(fleet_->probes.size()) {
    for (auto const& settings : receivers_) {
        start(settings, writer, store);
    }
}

void Notices::start(fleet::NoticeSettings const& settings, store::Writer& writer,
                    std::filesystem::path const& store) {
    std::unique_ptr<notify::Transport> transport;
    switch (settings.way) {
        case fleet::Way::webhook:
            transport = std::make_unique<notify::Webhook>(settings);
            break;
        case fleet::Way::mail:
            transport = std::make_unique<notify::Mail>(settings);
            break;
        case fleet::Way::mqtt: {
            std::set<std::string> probes;
            for (auto const& probe : fleet_->probes) {
                probes.insert(fleet_->sites[probe.site].id + "/" + probe.id);
            }
            auto broker = std::make_unique<notify::Mqtt>(settings, std::move(probes), log_);
            brokers_.push_back(broker.get());
            transport = std::move(broker);
            break;
        }
    }
    auto reader = store::Reader::open(store);
    if (!reader) {
        throw std::runtime_error{reader.error().message};
    }
    senders_.push_back(std::make_unique<notify::Sender>(
        settings.id, std::move(transport), writer, std::move(reader.value()),
        [&clock = clock_] { return clock.now(); }, log_));
}

void Notices::knows(service::Ticket const& ticket) {
    told_[ticket.id] = ticket.history.size();
}

std::vector<store::Notice> Notices::about(service::Ticket const& ticket) {
    auto const first = std::exchange(told_[ticket.id], ticket.history.size());
    return notify::of_ticket(*fleet_, receivers_, ticket, first, clock_.now());
}

void Notices::show_condition(fleet::ProbeIndex index, diagnosis::Condition condition, Timestamp at) {
    if (brokers_.empty() || std::exchange(shown_[index], condition) == condition) {
        return;
    }
    auto const& probe = fleet_->probes[index];
    for (auto* const broker : brokers_) {
        broker->show_condition(fleet_->sites[probe.site].id, probe.id,
                               condition_event(probe.id, condition, at));
    }
}

std::vector<store::Notice> Notices::about_outages(Board const& board) {
    if (senders_.empty()) {
        return {};
    }
    std::vector<notify::LineSilence> lines(fleet_->lines.size());
    for (fleet::LineIndex i = 0; i < lines.size(); ++i) {
        lines[i].site = fleet_->lines[i].site;
        lines[i].up = board.line_is_up(i);
        lines[i].heard_from = begun_;
    }
    for (fleet::ProbeIndex i = 0; i < fleet_->probes.size(); ++i) {
        auto const& probe = fleet_->probes[i];
        if (probe.line && !board.is_out_of_use(i)) {
            auto& line = lines[*probe.line];
            ++line.probes;
            line.newest = std::max(line.newest, board.newest_reading(i).value_or(Timestamp{}));
            line.limit = std::max(line.limit, seconds(probe.limits.no_reading_minutes * 60.0));
        }
    }
    std::vector<store::Notice> notices;
    auto const now = clock_.now();
    for (auto const& outage : outages_.look(lines, fleet_->sites.size(), now)) {
        auto made = notify::of_outage(*fleet_, receivers_, outage, now);
        std::move(made.begin(), made.end(), std::back_inserter(notices));
    }
    return notices;
}

void Notices::wake() {
    for (auto const& sender : senders_) {
        sender->wake();
    }
}

void Doorbell::connect(std::shared_ptr<Notices> notices, std::shared_ptr<Companion> companion) {
    std::scoped_lock const lock{mutex_};
    notices_ = std::move(notices);
    companion_ = std::move(companion);
}

void Doorbell::ring() {
    std::scoped_lock const lock{mutex_};
    if (notices_) {
        notices_->wake();
    }
    if (companion_) {
        companion_->wake();
    }
}

}  // namespace probekeeper::live
