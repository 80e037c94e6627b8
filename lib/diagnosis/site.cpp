#include "diagnosis/site.h"

#include <algorithm>
#include <cstring>
#include <map>
#include <optional>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t interval_ms = 300'000;
constexpr std::int64_t hour_ms = 3'600'000;
constexpr std::int64_t together_ms = 600'000;  // how far apart members of a group may fall silent

std::uint32_t standing_reasons(ProbeState const& state) {
    if (state.absent_since_ms != 0) {
        return 0;
    }
    std::uint32_t mask = 0;
    for (std::size_t i = 0; i < reason_count; ++i) {
        mask |= state.trackers[i].standing() ? 1U << i : 0U;
    }
    return mask;
}

}  // namespace

SiteDiagnosis::SiteDiagnosis(SiteSetup setup)
    : setup_{std::move(setup)}, probes_(setup_.probes.size()), absences_(setup_.probes.size()) {
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

// What comes as files comes when somebody sends it: its silence shows by what came for other such probes
// since.
std::int64_t SiteDiagnosis::fed_until() const {
    std::int64_t newest_ms = 0;
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        if (setup_.probes[i].line == ProbeSetup::no_line) {
            newest_ms = std::max(newest_ms, probes_[i].state.last_ms);
        }
    }
    return newest_ms;
}

// When nothing came as files for a while, the first that comes after it shows an end of the pause, not that
// the others have been silent all the time.
void SiteDiagnosis::excuse_pause(std::int64_t at_ms) {
    auto const before_ms = fed_until();
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        auto const pause = static_cast<std::int64_t>(setup_.probes[i].limits.no_reading_minutes * 60'000.0);
        if (setup_.probes[i].line == ProbeSetup::no_line && before_ms != 0 && at_ms - before_ms > pause) {
            probes_[i].excused_until_ms = at_ms;
        }
    }
}

std::int64_t SiteDiagnosis::heard_until(Member const& member, ProbeSetup const& setup) const {
    return std::max({member.state.last_ms != 0 ? member.state.last_ms : setup.expected_from_ms, begun_ms_,
                     member.state.returned_ms});
}

bool SiteDiagnosis::silent(Member const& member, ProbeSetup const& setup, std::int64_t at_ms) const {
    if (setup.line == ProbeSetup::no_line) {
        at_ms = std::min(at_ms, fed_until_ms_);
    }
    auto const threshold = static_cast<std::int64_t>(
        std::max(setup.limits.no_reading_minutes * 60'000.0, 3000.0 * setup.poll_s));
    return member.state.absent_since_ms == 0 && at_ms - heard_until(member, setup) >= threshold;
}

// Members that were silent before are no part of it; of the others all must have stopped at about one time.
void SiteDiagnosis::excuse_group(std::vector<std::size_t> const& group, std::int64_t at_ms) {
    std::vector<std::size_t> fallen;
    std::int64_t first = 0, last = 0;
    for (auto const place : group) {
        auto const& member = probes_[place];
        bool const known_silent = standing(member.state, Reason::no_communication);
        if (known_silent || member.state.absent_since_ms != 0) {
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

void SiteDiagnosis::out_of_use(std::size_t place, std::vector<Absence> absences) {
    absences_[place] = std::move(absences);
}

template <typename Work>
void SiteDiagnosis::telling_service(std::size_t place, std::int64_t at_ms, Listener& listener, Work work) {
    auto const& state = probes_[place].state;
    auto const& setup = setup_.probes[place];
    // As of the newest reading: what the passing of time alone has changed since is told with this one.
    auto const before = service_state(state, setup, state.last_ms);
    auto const since_ms = state.service.since_ms();
    work();
    auto const after = service_state(state, setup, at_ms);
    if (after == before) {
        return;
    }
    bool const by_readings = state.service.since_ms() != since_ms && state.service.since_ms() != 0;
    auto const began_ms = by_readings ? std::min(state.service.since_ms(), at_ms) : at_ms;
    listener.service_changed(place, {from_unix_ms(began_ms), from_unix_ms(at_ms), after});
}

void SiteDiagnosis::follow_use(std::size_t place, std::int64_t at_ms, Listener& listener) {
    auto& state = probes_[place].state;
    auto const& all = absences_[place];
    auto const next = std::upper_bound(all.begin(), all.end(), at_ms, [](std::int64_t at, Absence const& a) {
        return at < to_unix_ms(a.from);
    });
    auto const* const last = next == all.begin() ? nullptr : &*std::prev(next);
    bool const absent = last != nullptr && at_ms < to_unix_ms(last->until);
    if (absent && state.absent_since_ms == 0) {
        telling_service(place, at_ms, listener, [&] { leave_use(state, to_unix_ms(last->from)); });
    } else if (!absent && state.absent_since_ms != 0) {
        telling_service(place, at_ms, listener,
                        [&] { return_to_use(state, last != nullptr ? to_unix_ms(last->until) : at_ms); });
    }
}

void SiteDiagnosis::weigh_all(std::int64_t at_ms, Listener& listener) {
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        follow_use(i, at_ms, listener);
    }
    fed_until_ms_ = fed_until();
    excuse_outages(at_ms);
    std::vector<Shown> shown_by_all;
    shown_by_all.reserve(probes_.size());
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        shown_by_all.push_back(shown(probes_[i].state, setup_.probes[i], at_ms));
    }
    std::vector<Shown> neighbours;
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        auto& member = probes_[i];
        auto const& setup = setup_.probes[i];
        if (member.state.absent_since_ms != 0) {
            tell(i, at_ms, listener);
            continue;
        }
        neighbours.clear();
        for (auto const n : setup.neighbours) {
            neighbours.push_back(shown_by_all[n]);
        }
        if (!member.state.temperature_seen) {
            lend_temperature(member.state, neighbours, shown_by_all);
        }
        Silence silence;
        if (silent(member, setup, at_ms)) {
            silence.since_ms = heard_until(member, setup);
            silence.counted_from_ms = std::max(silence.since_ms, member.excused_until_ms);
        }
        if (auto const test = weigh(member.state, setup, at_ms, neighbours, silence)) {
            listener.tested(i, *test);
        }
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
    auto const at_ms = to_unix_ms(reading.time);
    follow_use(place, at_ms, listener);
    if (probes_[place].state.absent_since_ms != 0) {
        return;  // of a drained tank it would tell the wrong things
    }
    if (setup_.probes[place].line == ProbeSetup::no_line) {
        excuse_pause(to_unix_ms(reading.time));
    }
    std::optional<ResponseTest> test;
    telling_service(place, at_ms, listener,
                    [&] { test = diagnosis::take(probes_[place].state, setup_.probes[place], reading); });
    if (test) {
        listener.tested(place, *test);
    }
}

void SiteDiagnosis::handle(std::size_t place, Handling const& handling, Listener& listener) {
    advance(handling.time, listener);  // work done before the first reading starts no clock
    auto const at_ms = to_unix_ms(handling.time);
    follow_use(place, at_ms, listener);
    telling_service(place, at_ms, listener, [&] {
        if (handling.act == Act::probe_swap) {
            swap(place, handling);
        } else {
            diagnosis::handle(probes_[place].state, handling);
        }
    });
}

// Two positions may exchange their instruments in one instant: what has been taken along then stays as it
// was.
void SiteDiagnosis::swap(std::size_t place, Handling const& handling) {
    auto const at_ms = to_unix_ms(handling.time);
    auto const carry = [&](std::string const& serial, std::size_t from) {
        auto const known = carried_.find(serial);
        if (!serial.empty() && (known == carried_.end() || known->second.at_ms != at_ms)) {
            carried_[serial] = {probes_[from].state.trend.take_along(), at_ms};
        }
    };
    carry(handling.left, place);
    if (handling.came_from) {
        carry(handling.came, *handling.came_from);
    }
    auto& state = probes_[place].state;
    diagnosis::handle(state, handling);
    if (auto const known = carried_.find(handling.came); known != carried_.end()) {
        state.trend.bring(known->second.taken);
    }
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
