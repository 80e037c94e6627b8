#include "rounds/task.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <span>

#include "base/date.h"
#include "rounds/words.h"
#include "service/work_plan.h"
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

// What stands of it, what cannot be used at all first.
std::string evidence_of(service::Ticket const& ticket) {
    std::string failures, others;
    for (auto const& reason : ticket.reasons) {
        if (!reason.cleared_at) {
            bool const fails =
                diagnosis::condition_of(reason.finding.reason) == diagnosis::Condition::failure;
            (fails ? failures : others) += (fails ? failures : others).empty() ? "" : "; ";
            (fails ? failures : others) += reason.finding.text;
        }
    }
    return failures + (failures.empty() || others.empty() ? "" : "; ") + others;
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
        auto task = task_at(*probe);
        auto why_not = not_this_week(ticket);
        if (why_not.empty()) {
            why_not = promise(ticket, task);
        }
        if (why_not.empty()) {
            why_not = keep_in_use(*probe, task);
        }
        if (!why_not.empty()) {
            left.push_back({ticket.id, ticket.probe, std::move(why_not)});
            return std::nullopt;
        }
        task.job.ticket = ticket.id;
        task.job.work = ticket.work;
        task.job.parts = ticket.parts;
        task.job.cautions = ticket.cautions;
        task.job.evidence = evidence_of(ticket);
        time_work(task);
        task.late_a_day = std::llround(late_price(fleet_.rounds, ticket.urgency) * 1e6);
        task.due_day = ticket.due ? day_from_monday(*ticket.due) : 6;
        task.due = task.on_day || ticket.urgency != service::Urgency::next_visit ||
                   (ticket.due && *ticket.due < end());
        if (task.due) {
            task.job.why_now = why_due(ticket);
            return task;
        }
        return pulled(ticket.due, task) ? std::optional{task} : std::nullopt;
    }

    // Nobody is sent for it alone: where no ticket is open yet it can wait.
    std::optional<Task> of_forecast(Expected const& expected) const {
        auto const index = fleet_.find_probe(expected.probe);
        if (!index) {
            return std::nullopt;
        }
        auto task = task_at(*index);
        if (!keep_in_use(*index, task).empty()) {
            return std::nullopt;
        }
        auto const& probe = fleet_.probes[*index];
        diagnosis::Finding finding;
        finding.reason = expected.forecast.reason;
        finding.due = expected.forecast.due;
        auto plan = service::plan_work(std::span{&finding, 1},
                                       {probe.id, probe.use, probe.membrane, fleet_.sites[probe.site].kind});
        task.job.work = std::move(plan.work);
        task.job.parts = std::move(plan.parts);
        task.job.cautions = std::move(plan.cautions);
        task.job.evidence = fmt::format(
            "{} is expected between {} and {}", work_text(diagnosis::to_word(expected.forecast.reason)),
            day_text(expected.forecast.earliest), day_text(expected.forecast.latest));
        time_work(task);
        task.late_a_day = std::llround(fleet_.rounds.late_price_next_visit * 1e6);
        task.due_day = day_from_monday(expected.forecast.due);
        return pulled(expected.forecast.due, task) ? std::optional{task} : std::nullopt;
    }

    // Somebody is there at least every so many days: one inspection stands for the site.
    std::optional<Task> of_contract(std::size_t site_index) const {
        auto const& site = fleet_.sites[site_index];
        std::optional<Task> found;
        for (fleet::ProbeIndex i = 0; i < fleet_.probes.size() && site.access.check_days && !found; ++i) {
            auto task = task_at(i);
            if (task.site == site_index && keep_in_use(i, task).empty()) {
                found = std::move(task);
            }
        }
        if (!found) {
            return std::nullopt;
        }
        auto const last = asked_.last_visit.find(site.id);
        auto const due = last == asked_.last_visit.end()
                             ? Timestamp{monday_}
                             : last->second + std::chrono::days{*site.access.check_days};
        if (due >= end()) {
            return std::nullopt;
        }
        auto& task = *found;
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

    std::string not_this_week(service::Ticket const& ticket) const {
        if (ticket.postponed_until && *ticket.postponed_until >= end()) {
            return "postponed until " + day_text(*ticket.postponed_until);
        }
        if (ticket.planned_for && sys_days{*ticket.planned_for} >= monday_ + std::chrono::days{7}) {
            return "planned for " + to_text(*ticket.planned_for);
        }
        return {};
    }

    // Of a planned ticket whose day has not passed, the day and the person. Returns why there can be no
    // visit.
    std::string promise(service::Ticket const& ticket, Task& task) const {
        if (!ticket.planned_for ||
            sys_days{*ticket.planned_for} < std::chrono::floor<std::chrono::days>(asked_.now) ||
            sys_days{*ticket.planned_for} < monday_) {
            return {};  // nobody came: it is planned like any other
        }
        task.on_day = static_cast<int>((sys_days{*ticket.planned_for} - monday_).count());
        if (!ticket.assigned_to || ticket.assigned_to->empty()) {
            return {};
        }
        auto const& all = fleet_.technicians;
        auto const found = std::find_if(all.begin(), all.end(), [&](fleet::Technician const& t) {
            return t.id == *ticket.assigned_to || t.name == *ticket.assigned_to;
        });
        if (found == all.end()) {
            return fmt::format("planned for {} with {}, who is no technician of the configuration",
                               to_text(*ticket.planned_for), *ticket.assigned_to);
        }
        task.by = static_cast<std::size_t>(found - all.begin());
        return {};
    }

    // Narrows the task to the first time of the rest of the week at which the probe is in use. Returns why
    // there is none.
    std::string keep_in_use(fleet::ProbeIndex index, Task& task) const {
        auto const& probe = fleet_.probes[index];
        auto from = std::max(Timestamp{monday_}, asked_.now);
        std::optional<Timestamp> until;
        std::optional<diagnosis::Absence> last;
        for (auto const& absence :
             service::absences_of(asked_.out_of_use, fleet_.sites[probe.site].id, probe.id)) {
            if (absence.until <= from || absence.from >= end()) {
                continue;
            }
            if (absence.from > from) {
                until = absence.from;
                break;
            }
            from = absence.until;
            last = absence;
        }
        if (from >= end()) {
            return last->until == Timestamp::max() ? "out of use"
                                                   : "out of use until " + day_text(last->until);
        }
        task.from = last ? std::optional{from} : std::nullopt;
        task.until = until;
        return {};
    }

    std::string why_due(service::Ticket const& ticket) const {
        if (ticket.planned_for) {
            return "planned for " + to_text(*ticket.planned_for);
        }
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
    bool pulled(std::optional<Timestamp> due, Task& task) const {
        auto const& rounds = fleet_.rounds;
        task.job.pulled_forward = true;
        if (!due) {
            task.job.why_now = "due on no day, and somebody is here anyway";
            return true;
        }
        double const days = std::max(0.0, seconds_between(Timestamp{end()}, *due) / 86'400.0);
        if (days > rounds.pull_forward_days) {
            return false;
        }
        bool const changes = std::any_of(task.job.parts.begin(), task.job.parts.end(),
                                         [](service::Part const& p) { return p.part == "membrane"; });
        constexpr double usual_life_days = 180.0;  // common practice, no source
        auto const life = asked_.membrane_life_days.find(task.job.probe);
        double const whole = life != asked_.membrane_life_days.end() ? life->second : usual_life_days;
        task.job.life_price = changes ? rounds.membrane_price * std::min(1.0, days / whole) : 0.0;
        if (task.job.life_price > rounds.hour_price) {
            return false;
        }
        task.job.why_now = fmt::format("due only on {}, and somebody is here anyway", day_text(*due));
        if (changes && days >= 0.5) {
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
    std::set<std::string> ticketed;
    for (auto const& ticket : asked.tickets) {
        if (!service::is_finished(ticket.state)) {
            ticketed.insert(ticket.probe);
        }
    }
    for (auto const& expected : asked.expected) {
        if (auto task = ticketed.contains(expected.probe) ? std::nullopt : maker.of_forecast(expected)) {
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
