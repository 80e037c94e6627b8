#include "rounds/task.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "rounds/words.h"
#include "zone/zone.h"

namespace probekeeper::rounds {
namespace {

using std::chrono::sys_days;

// Minutes of hands; common practice, no source.
double minutes_of(std::string const& work) {
    static std::map<std::string, double> const known{{"wipe_membrane", 4.0},
                                                     {"lift_test", 8.0},
                                                     {"change_membrane_and_o_ring", 8.0},
                                                     {"clean_anode_and_cathode", 8.0},
                                                     {"refill_electrolyte", 3.0},
                                                     {"air_calibration", 5.0},
                                                     {"reference_check", 8.0},
                                                     {"dry_zero_check", 8.0},
                                                     {"inspect_membrane", 4.0},
                                                     {"let_settle", 0.0}};
    auto const found = known.find(work);
    constexpr double a_look = 12.0;  // at wiring, settings, flow
    return found != known.end() ? found->second : a_look;
}

constexpr double settling_minutes = 15.0;  // of a new membrane; longer in the cold

double late_price(fleet::RoundsSettings const& rounds, service::Urgency urgency) {
    switch (urgency) {
        case service::Urgency::now:
            return rounds.late_price_now;
        case service::Urgency::this_week:
            return rounds.late_price_this_week;
        case service::Urgency::next_visit:
            return rounds.late_price_next_visit;
    }
    return 0.0;
}

void time_work(Task& task) {
    bool settling = false;
    for (auto const& work : task.job.work) {
        auto const minutes = minutes_of(work);
        settling = settling || work == "let_settle";
        task.job.minutes += minutes;
        task.last_minutes += settling ? minutes : 0.0;
    }
    task.settle_minutes = settling ? settling_minutes : 0.0;
}

std::string evidence_of(service::Ticket const& ticket) {
    for (auto const& reason : ticket.reasons) {
        if (!reason.cleared_at) {
            return reason.finding.text;
        }
    }
    return {};
}

class Maker {
public:
    Maker(fleet::Fleet const& fleet, Asked const& asked)
        : fleet_{fleet}, asked_{asked}, monday_{zone::monday_of(asked.week)} {}

    std::optional<Task> of_ticket(service::Ticket const& ticket, std::vector<NotReached>& left) const {
        if (service::is_finished(ticket.state) || ticket.state == service::State::serviced) {
            return std::nullopt;
        }
        auto const probe = fleet_.find_probe(ticket.probe);
        if (!probe) {
            left.push_back({ticket.id, ticket.probe, "the probe is no longer in the configuration"});
            return std::nullopt;
        }
        if (ticket.postponed_until && *ticket.postponed_until >= end()) {
            left.push_back({ticket.id, ticket.probe, "postponed until " + day_text(*ticket.postponed_until)});
            return std::nullopt;
        }
        auto task = task_at(*probe);
        task.job.ticket = ticket.id;
        task.job.work = ticket.work;
        task.job.parts = ticket.parts;
        task.job.cautions = ticket.cautions;
        task.job.evidence = evidence_of(ticket);
        time_work(task);
        task.late_a_day = std::llround(late_price(fleet_.rounds, ticket.urgency) * 1e6);
        task.due_day = ticket.due ? day_from_monday(*ticket.due) : 6;
        task.due = ticket.urgency != service::Urgency::next_visit || (ticket.due && *ticket.due < end());
        if (task.due) {
            task.job.why_now = why_due(ticket);
            return task;
        }
        return pulled(ticket, task) ? std::optional{task} : std::nullopt;
    }

    // Somebody is there at least every so many days: one inspection stands for the site.
    std::optional<Task> of_contract(std::size_t site_index) const {
        auto const& site = fleet_.sites[site_index];
        auto const first = std::find_if(fleet_.probes.begin(), fleet_.probes.end(),
                                        [&](fleet::Probe const& p) { return p.site == site_index; });
        if (!site.access.check_days || first == fleet_.probes.end()) {
            return std::nullopt;
        }
        auto const last = asked_.last_visit.find(site.id);
        auto const due = last == asked_.last_visit.end()
                             ? Timestamp{monday_}
                             : last->second + std::chrono::days{*site.access.check_days};
        if (due >= end()) {
            return std::nullopt;
        }
        auto task = task_at(static_cast<fleet::ProbeIndex>(first - fleet_.probes.begin()));
        task.job.work = {"reference_check"};
        time_work(task);
        task.due = true;
        task.due_day = day_from_monday(due);
        task.late_a_day = std::llround(fleet_.rounds.late_price_this_week * 1e6);
        task.job.why_now = fmt::format(
            "by contract somebody is here every {} days, and {}", *site.access.check_days,
            last == asked_.last_visit.end() ? "no visit is recorded" : "that is up on " + day_text(due));
        return task;
    }

private:
    Timestamp end() const { return monday_ + std::chrono::days{7}; }

    int day_from_monday(Timestamp t) const {
        return static_cast<int>((std::chrono::floor<std::chrono::days>(t) - monday_).count());
    }

    Task task_at(fleet::ProbeIndex index) const {
        auto const& probe = fleet_.probes[index];
        Task task;
        task.site = probe.site;
        task.job.probe = probe.id;
        task.job.location = probe.location;
        task.job.serial = probe.serial;
        return task;
    }

    std::string why_due(service::Ticket const& ticket) const {
        if (ticket.urgency == service::Urgency::now) {
            return "readings that somebody relies on have failed";
        }
        if (!ticket.due) {
            return "a limit is passed";
        }
        auto const day = day_from_monday(*ticket.due);
        return day < 0 ? "overdue since " + day_text(*ticket.due) : "due on " + day_text(*ticket.due);
    }

    // Whether it is worth doing where somebody is there anyway. What it throws away is the share of a
    // membrane's life between now and the day it is due; what it saves is at least the sign-in and a way.
    bool pulled(service::Ticket const& ticket, Task& task) const {
        auto const& rounds = fleet_.rounds;
        task.job.pulled_forward = true;
        if (!ticket.due) {
            task.job.why_now = "due on no day, and somebody is here anyway";
            return true;
        }
        double const days = seconds_between(Timestamp{end()}, *ticket.due) / 86'400.0;
        if (days > rounds.pull_forward_days) {
            return false;
        }
        bool const changes = std::any_of(ticket.parts.begin(), ticket.parts.end(),
                                         [](service::Part const& p) { return p.part == "membrane"; });
        constexpr double usual_life_days = 180.0;  // common practice, no source
        auto const life = asked_.membrane_life_days.find(ticket.probe);
        double const whole = life != asked_.membrane_life_days.end() ? life->second : usual_life_days;
        task.job.life_price = changes ? rounds.membrane_price * std::min(1.0, days / whole) : 0.0;
        if (task.job.life_price > rounds.hour_price) {
            return false;
        }
        task.job.why_now = fmt::format("due only on {}, and somebody is here anyway", day_text(*ticket.due));
        if (changes) {
            task.job.why_now += fmt::format(
                "; throws away some {:.0f} days of the membrane's life, {:.2f} of its "
                "price",
                days, task.job.life_price);
        }
        return true;
    }

    fleet::Fleet const& fleet_;
    Asked const& asked_;
    sys_days monday_;
};

}  // namespace

std::vector<Task> tasks_of(fleet::Fleet const& fleet, Asked const& asked, std::vector<NotReached>& left) {
    Maker const maker{fleet, asked};
    std::vector<Task> tasks;
    std::set<std::size_t> visited;
    for (auto const& ticket : asked.tickets) {
        if (auto task = maker.of_ticket(ticket, left)) {
            if (task->due) {
                visited.insert(task->site);
            }
            tasks.push_back(std::move(*task));
        }
    }
    for (std::size_t site = 0; site < fleet.sites.size(); ++site) {
        if (visited.contains(site)) {
            continue;  // who comes for a ticket has been there
        }
        if (auto task = maker.of_contract(site)) {
            tasks.push_back(std::move(*task));
        }
    }
    return tasks;
}

}  // namespace probekeeper::rounds
