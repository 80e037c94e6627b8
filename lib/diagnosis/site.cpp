#include "diagnosis/site.h"

#include <algorithm>
#include <cstring>
#include <map>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t interval_ms = 300'000;
constexpr std::int64_t hour_ms = 3'600'000;
constexpr std::int64_t together_ms = 600'000;  // how far apart members of a group may fall silent

std::uint32_t standing_reasons(ProbeState const& state) {
    std::uint32_t mask = 0;
    for (std::size_t i = 0; i < reason_count; ++i) {
        mask |= state.trackers[i].standing() ? 1U << i : 0U;
    }
    return mask;
}

}  // namespace

SiteDiagnosis::SiteDiagnosis(SiteSetup setup) : setup_{std::move(setup)}, probes_(setup_.probes.size()) {
    std::map<std::size_t, std::vector<std::size_t>> by_line;
    std::vector<std::size_t> all;
    for (std::size_t i = 0; i < setup_.probes.size(); ++i) {
        all.push_back(i);
        if (setup_.probes[i].line != ProbeSetup::no_line) {
            by_line[setup_.probes[i].line].push_back(i);
        }
    }
    for (auto& [line, members] : by_line) {
        groups_.push_back(std::move(members));
    }
    groups_.push_back(std::move(all));
}

bool SiteDiagnosis::silent(Member const& member, ProbeSetup const& setup, std::int64_t at_ms) const {
    auto const threshold = static_cast<std::int64_t>(
        std::max(setup.limits.no_reading_minutes * 60'000.0, 3000.0 * setup.poll_s));
    auto const last = std::max(member.state.last_ms, begun_ms_);
    return at_ms - last >= threshold;
}

// Members that were silent before are no part of it; of the others all must have stopped at about one time.
void SiteDiagnosis::excuse_group(std::vector<std::size_t> const& group, std::int64_t at_ms) {
    std::vector<std::size_t> fallen;
    std::int64_t first = 0, last = 0;
    for (auto const place : group) {
        auto const& member = probes_[place];
        bool const known_silent =
            member.state.trackers[static_cast<std::size_t>(Reason::no_communication)].standing();
        if (known_silent) {
            continue;
        }
        if (!silent(member, setup_.probes[place], at_ms)) {
            return;
        }
        first = fallen.empty() ? member.state.last_ms : std::min(first, member.state.last_ms);
        last = std::max(last, member.state.last_ms);
        fallen.push_back(place);
    }
    if (fallen.size() < 2 || last - first > together_ms) {
        return;
    }
    for (auto const place : fallen) {
        probes_[place].excused_until_ms = at_ms;
    }
}

void SiteDiagnosis::excuse_outages(std::int64_t at_ms) {
    for (auto const& group : groups_) {
        excuse_group(group, at_ms);
    }
}

void SiteDiagnosis::tell(std::size_t place, std::int64_t at_ms, Listener& listener) {
    auto& member = probes_[place];
    auto const standing = standing_reasons(member.state);
    auto const hour = at_ms / hour_ms;
    if (standing == member.told && member.state.condition == member.told_condition &&
        hour == member.told_hour) {
        return;
    }
    member.told = standing;
    member.told_condition = member.state.condition;
    member.told_hour = hour;
    listener.weighed(place, explain(member.state, setup_.probes[place], at_ms));
}

void SiteDiagnosis::weigh_all(std::int64_t at_ms, Listener& listener) {
    excuse_outages(at_ms);
    std::vector<Shown> shown_by_all;
    shown_by_all.reserve(probes_.size());
    for (auto const& member : probes_) {
        shown_by_all.push_back(shown(member.state, at_ms));
    }
    std::vector<Shown> neighbours;
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        auto& member = probes_[i];
        auto const& setup = setup_.probes[i];
        neighbours.clear();
        for (auto const n : setup.neighbours) {
            neighbours.push_back(shown_by_all[n]);
        }
        Silence silence;
        if (silent(member, setup, at_ms)) {
            silence.since_ms = std::max(member.state.last_ms, begun_ms_);
            silence.counted_from_ms = std::max(silence.since_ms, member.excused_until_ms);
        }
        weigh(member.state, setup, at_ms, neighbours, silence);
        tell(i, at_ms, listener);
    }
}

// Weighs at every full interval that has passed, so that the result does not depend on who calls how often.
void SiteDiagnosis::weigh_until(std::int64_t now_ms, Listener& listener) {
    if (begun_ms_ == 0) {
        begun_ms_ = now_ms;
        weighed_ms_ = now_ms / interval_ms * interval_ms;
    }
    while (weighed_ms_ + interval_ms < now_ms) {
        weighed_ms_ += interval_ms;
        weigh_all(weighed_ms_, listener);
    }
    now_ms_ = std::max(now_ms_, now_ms);
}

void SiteDiagnosis::take(std::size_t place, Reading const& reading, Listener& listener) {
    weigh_until(to_unix_ms(reading.time), listener);
    if (auto const test = diagnosis::take(probes_[place].state, setup_.probes[place], reading)) {
        listener.tested(place, *test);
    }
}

void SiteDiagnosis::handle(std::size_t place, Handling const& handling, Listener& listener) {
    advance(handling.time, listener);  // work done before the first reading starts no clock
    diagnosis::handle(probes_[place].state, handling);
}

void SiteDiagnosis::advance(Timestamp now, Listener& listener) {
    if (begun_ms_ != 0) {
        weigh_until(to_unix_ms(now), listener);
    }
}

void SiteDiagnosis::excuse(Timestamp from, Timestamp to) {
    for (auto& member : probes_) {
        if (member.state.last_ms <= to_unix_ms(to) && to > from) {
            member.excused_until_ms = std::max(member.excused_until_ms, to_unix_ms(to));
        }
    }
}

Diagnosis SiteDiagnosis::verdict(std::size_t place) const {
    return explain(probes_[place].state, setup_.probes[place], now_ms_);
}

}  // namespace probekeeper::diagnosis
