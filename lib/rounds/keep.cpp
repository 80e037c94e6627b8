#include "rounds/keep.h"

#include <algorithm>
#include <map>

#include "rounds/amend.h"

namespace probekeeper::rounds {
namespace {

// The visit to a site that no earlier stop has taken.
std::optional<std::size_t> visit_at(fleet::Fleet const& fleet, Composed const& composed,
                                    std::string const& site, std::vector<bool> const& taken) {
    for (std::size_t v = 0; v < composed.tasks.size(); ++v) {
        if (!taken[v] && fleet.sites[composed.tasks[v].front().site].id == site) {
            return v;
        }
    }
    return std::nullopt;
}

std::optional<std::size_t> shift_of(fleet::Fleet const& fleet, Composed const& composed, zone::Week week,
                                    std::string const& technician, RoundDay const& day) {
    for (std::size_t s = 0; s < composed.week.shifts.size(); ++s) {
        auto const& shift = composed.week.shifts[s];
        std::vector<std::string> persons;
        for (int const p : shift.persons) {
            persons.push_back(fleet.technicians[static_cast<std::size_t>(p)].id);
        }
        auto told = day.with;
        told.insert(told.begin(), technician);
        if (persons == told &&
            zone::monday_of(week) + std::chrono::days{shift.day} == std::chrono::sys_days{day.date}) {
            return s;
        }
    }
    return std::nullopt;
}

void not_before(Visit& visit, Ticks told) {
    for (auto& window : visit.windows) {
        if (window.open <= told && told + visit.work <= window.close) {
            window.open = told;
        }
    }
}

bool holds(Week const& week, std::size_t shift, std::vector<int> const& route) {
    return !judge_shift(week, shift, route).broken;
}

struct Told {
    std::string technician;
    std::chrono::year_month_day date{};
    Timestamp arrive{};
};

// By site; a site's visits in order.
std::map<std::string, std::vector<Told>> told_in(Round const& round) {
    std::map<std::string, std::vector<Told>> told;
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            for (auto const& stop : day.stops) {
                told[stop.site].push_back({technician.technician, day.date, stop.arrive});
            }
        }
    }
    for (auto& [site, visits] : told) {
        std::sort(visits.begin(), visits.end(),
                  [](Told const& a, Told const& b) { return a.arrive < b.arrive; });
    }
    return told;
}

// The visits of which nothing is new: all their work was left in that round.
std::vector<int> left_in(Composed const& composed, Round const& round) {
    auto const was_left = [&](Task const& task) {
        return std::any_of(round.not_reached.begin(), round.not_reached.end(), [&](NotReached const& left) {
            return left.ticket == task.job.ticket && left.probe == task.job.probe;
        });
    };
    std::vector<int> left;
    for (std::size_t v = 0; v < composed.tasks.size(); ++v) {
        auto const& tasks = composed.tasks[v];
        bool const all = std::all_of(tasks.begin(), tasks.end(),
                                     [&](Task const& task) { return !task.due || was_left(task); });
        if (all) {
            left.push_back(static_cast<int>(v));
        }
    }
    return left;
}

bool same_stops(Round const& a, Round const& b) {
    auto const same_visits = [](std::vector<Told> const& p, std::vector<Told> const& q) {
        return std::equal(p.begin(), p.end(), q.begin(), q.end(), [](Told const& i, Told const& j) {
            return i.technician == j.technician && i.date == j.date && i.arrive == j.arrive;
        });
    };
    auto const x = told_in(a);
    auto const y = told_in(b);
    return std::equal(x.begin(), x.end(), y.begin(), y.end(), [&](auto const& p, auto const& q) {
        return p.first == q.first && same_visits(p.second, q.second);
    });
}

bool has_begun(RoundDay const& day, Timestamp now) {
    return day.depart <= now;
}

Round without_begun(Round round, Timestamp now) {
    for (auto& technician : round.technicians) {
        std::erase_if(technician.days, [&](RoundDay const& day) { return has_begun(day, now); });
    }
    return round;
}

// Nothing that is done there is asked for again, and nobody is missed there.
void leave_day(Asked& asked, RoundDay const& day) {
    for (auto const& stop : day.stops) {
        auto const [last, is_new] = asked.last_visit.emplace(stop.site, stop.arrive);
        last->second = std::max(last->second, stop.arrive);
        for (auto const& job : stop.jobs) {
            std::erase_if(asked.tickets, [&](service::Ticket const& t) {
                return !job.ticket.empty() && t.id == job.ticket;
            });
        }
    }
}

bool is_settled(RoundDay const& day, Timestamp now) {
    constexpr auto paperwork = std::chrono::hours{24};
    return day.home + paperwork <= now;
}

}  // namespace

void leave_begun(Asked& asked, Round const& told) {
    for (auto const& technician : told.technicians) {
        for (auto const& day : technician.days) {
            if (!has_begun(day, asked.now)) {
                continue;
            }
            asked.taken.push_back({technician.technician, day.date});
            for (auto const& other : day.with) {
                asked.taken.push_back({other, day.date});
            }
            if (!is_settled(day, asked.now)) {
                leave_day(asked, day);
            }
        }
    }
}

void leave_told(Asked& asked, Round const& told) {
    for (auto const& technician : told.technicians) {
        for (auto const& day : technician.days) {
            if (!is_settled(day, asked.now)) {
                leave_day(asked, day);
            }
        }
    }
}

void add_begun(Round& ahead, Round const& told, Timestamp now) {
    for (auto const& technician : told.technicians) {
        auto found = std::find_if(
            ahead.technicians.begin(), ahead.technicians.end(),
            [&](RoundTechnician const& other) { return other.technician == technician.technician; });
        for (auto const& day : technician.days) {
            if (!has_begun(day, now)) {
                continue;
            }
            if (found == ahead.technicians.end()) {  // works here no longer, but went
                ahead.technicians.push_back(
                    {technician.technician, technician.name, technician.time_zone, {}, {}});
                found = std::prev(ahead.technicians.end());
            }
            found->days.push_back(day);
        }
        if (found != ahead.technicians.end()) {
            std::stable_sort(found->days.begin(), found->days.end(),
                             [](RoundDay const& a, RoundDay const& b) { return a.date < b.date; });
            found->load = load_of(found->days);
        }
    }
}

Plan plan_of(fleet::Fleet const& fleet, Composed& composed, Round const& published) {
    Plan plan{std::vector<std::vector<int>>(composed.week.shifts.size())};
    std::vector<bool> taken(composed.tasks.size(), false);
    for (auto const& technician : published.technicians) {
        for (auto const& day : technician.days) {
            auto const shift = shift_of(fleet, composed, published.week, technician.technician, day);
            for (auto const& stop : day.stops) {
                auto const v = visit_at(fleet, composed, stop.site, taken);
                if (!shift || !v) {
                    continue;
                }
                auto longer = plan.routes[*shift];
                longer.push_back(static_cast<int>(*v));
                auto const before = composed.week.visits[*v].windows;
                not_before(
                    composed.week.visits[*v],
                    static_cast<Ticks>(
                        std::chrono::floor<std::chrono::seconds>(stop.arrive - composed.zero).count()));
                if (holds(composed.week, *shift, longer)) {
                    plan.routes[*shift] = std::move(longer);
                    taken[*v] = true;
                } else {
                    composed.week.visits[*v].windows = before;
                }
            }
        }
    }
    return plan;
}

std::vector<Moved> moved_between(Round const& before, Round const& after) {
    constexpr auto tolerance = std::chrono::minutes{30};
    std::vector<Moved> moved;
    auto const now = told_in(after);
    for (auto const& [site, told] : told_in(before)) {
        auto const same = now.find(site);
        for (std::size_t i = 0; same != now.end() && i < std::min(told.size(), same->second.size()); ++i) {
            auto const& was = told[i];
            auto const& is = same->second[i];
            auto const apart = was.arrive < is.arrive ? is.arrive - was.arrive : was.arrive - is.arrive;
            if (was.technician != is.technician || was.date != is.date || apart > tolerance) {
                moved.push_back({site, was.technician, is.technician, was.arrive, is.arrive});
            }
        }
    }
    return moved;
}

Round keep_round(fleet::Fleet const& fleet, Asked const& asked, Round const& published) {
    auto rest = asked;
    leave_begun(rest, published);
    auto composed = compose(fleet, rest);
    auto const told = plan_of(fleet, composed, without_begun(published, asked.now));
    AmendSettings settings;
    settings.left = left_in(composed, published);
    auto const amended = amend(composed.week, told, settings);
    auto round = to_round(fleet, rest, composed, amended.plan);
    add_begun(round, published, asked.now);
    round.price = static_cast<double>(judge(composed.week, amended.plan).price) / price_unit;
    round.published_at = published.published_at;
    round.differs = !same_stops(published, round);
    round.revision = published.revision + (round.differs ? 1 : 0);
    if (round.differs) {
        round.moved = moved_between(published, round);
    } else {  // it is the same plan, and as good as it was found to be
        round.moved = published.moved;
        round.price = published.price;
        round.bound = published.bound;
        round.cut_short = published.cut_short;
    }
    return round;
}

}  // namespace probekeeper::rounds
