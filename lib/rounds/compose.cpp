#include "rounds/compose.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <tuple>

#include "rounds/exact.h"
#include "rounds/task.h"
#include "rounds/travel.h"
#include "zone/zone.h"

namespace probekeeper::rounds {
namespace {

using std::chrono::sys_days;
using std::chrono::year_month_day;

constexpr int days_a_week = 7;
// Beyond so long a visit is split in two: nobody keeps his care for longer. Common practice, no source.
constexpr double longest_visit_minutes = 300.0;

Price price_of(double money) {
    return std::llround(money * price_unit);
}

zone::Zone zone_of(std::string const& name) {
    return zone::Zone::find(name).value_or(zone::Zone::utc());
}

bool holds(std::vector<fleet::DaySpan> const& spans, year_month_day day) {
    return std::any_of(spans.begin(), spans.end(), [&](auto const& span) { return span.holds(day); });
}

class Composer {
public:
    Composer(fleet::Fleet const& fleet, Asked const& asked)
        : fleet_{fleet}, asked_{asked}, monday_{zone::monday_of(asked.week)} {
        composed_.zero =
            monday_ - std::chrono::days{1};  // a zone ahead of UTC begins its Monday on our Sunday
    }

    Composed run() {
        composed_.week.places = static_cast<int>(fleet_.depots.size() + fleet_.sites.size());
        composed_.week.travel = travel_of(fleet_);
        make_visits();
        make_shifts();
        for (std::size_t v = 0; v < composed_.tasks.size(); ++v) {
            price_visit(v);
            composed_.why_impossible.push_back(impossible(v));
        }
        return std::move(composed_);
    }

private:
    Ticks tick(Timestamp t) const {
        return static_cast<Ticks>(std::chrono::floor<std::chrono::seconds>(t - composed_.zero).count());
    }
    Timestamp now_from(double hours) const { return asked_.now + seconds(hours * 3600.0); }

    // What is done at a site goes into one visit, unless promises or absences keep it apart.
    using Apart = std::tuple<std::optional<int>, std::optional<std::size_t>, std::optional<Timestamp>,
                             std::optional<Timestamp>>;

    void make_visits() {
        auto tasks = tasks_of(fleet_, asked_, composed_.left);
        std::map<std::size_t, std::map<Apart, std::vector<Task>>> by_site;
        for (auto& task : tasks) {
            auto const apart = Apart{task.on_day, task.by, task.from, task.until};
            by_site[task.site][apart].push_back(std::move(task));
        }
        for (auto& [site, groups] : by_site) {
            join_promised(groups);
            for (auto& [apart, all] : groups) {
                split(site, std::move(all));
            }
        }
    }

    // What is free to be done at any time is done when somebody has promised to come, unless that is too
    // late.
    static void join_promised(std::map<Apart, std::vector<Task>>& groups) {
        auto const free = groups.find(Apart{});
        if (free == groups.end()) {
            return;
        }
        for (auto& [apart, all] : groups) {
            auto const& [day, by, from, until] = apart;
            bool const in_time =
                day && !from && !until &&
                std::all_of(free->second.begin(), free->second.end(),
                            [&, on = day](Task const& t) { return !t.due || t.due_day >= *on; });
            if (in_time) {
                std::move(free->second.begin(), free->second.end(), std::back_inserter(all));
                groups.erase(free);
                return;
            }
        }
    }

    void split(std::size_t site, std::vector<Task> all) {
        std::stable_sort(all.begin(), all.end(), [](Task const& a, Task const& b) { return a.due > b.due; });
        auto const sign_in = fleet_.sites[site].access.sign_in_minutes;
        std::vector<Task> part;
        for (auto& task : all) {
            part.push_back(std::move(task));
            if (part.size() > 1 && visit_minutes(part, sign_in) > longest_visit_minutes) {
                auto last = std::move(part.back());
                part.pop_back();
                add_visit(site, std::move(part));
                part = {};
                part.push_back(std::move(last));
            }
        }
        add_visit(site, std::move(part));
    }

    void add_visit(std::size_t site_index, std::vector<Task> tasks) {
        auto const& site = fleet_.sites[site_index];
        bool const due = std::any_of(tasks.begin(), tasks.end(), [](Task const& t) { return t.due; });
        if (!due) {
            return;  // nothing here is due: it is pulled forward only where somebody comes anyway
        }
        Visit visit;
        visit.place = static_cast<int>(fleet_.depots.size() + site_index);
        visit.work =
            static_cast<Ticks>(std::lround(visit_minutes(tasks, site.access.sign_in_minutes) * 60.0));
        visit.windows = windows_of(site);
        clip(visit.windows, tasks.front());
        visit.rank = static_cast<int>(site.access.biosecurity);
        visit.skills = bits(site.access.skills);
        visit.crew = site.access.two_person ? 2 : 1;
        composed_.week.visits.push_back(std::move(visit));
        composed_.tasks.push_back(std::move(tasks));
    }

    void clip(std::vector<Window>& windows, Task const& task) const {
        for (auto& window : windows) {
            window.open = task.from ? std::max(window.open, tick(*task.from)) : window.open;
            window.close = task.until ? std::min(window.close, tick(*task.until)) : window.close;
        }
        std::erase_if(windows, [](Window const& w) { return w.open >= w.close; });
    }

    std::vector<Window> windows_of(fleet::Site const& site) const {
        auto const zone = zone_of(site.time_zone);
        auto const earliest = now_from(site.access.notice_hours);
        std::vector<Window> windows;
        for (int d = 0; d < days_a_week; ++d) {
            year_month_day const day{monday_ + std::chrono::days{d}};
            if (holds(site.access.closed, day)) {
                continue;
            }
            for (auto const& hours : site.access.windows[static_cast<std::size_t>(d)]) {
                auto const open = std::max(at(zone, day, hours.from), earliest);
                add_windows(site, {open, at(zone, day, hours.to)}, windows);
            }
        }
        return windows;
    }

    void add_windows(fleet::Site const& site, fleet::TimeSpan span, std::vector<Window>& windows) const {
        if (site.access.only.empty()) {
            if (span.from < span.to) {
                windows.push_back({tick(span.from), tick(span.to)});
            }
            return;
        }
        for (auto const& only : site.access.only) {
            auto const from = std::max(only.from, span.from);
            auto const to = std::min(only.to, span.to);
            if (from < to) {
                windows.push_back({tick(from), tick(to)});
            }
        }
    }

    static Timestamp at(zone::Zone const& zone, year_month_day day, int minute) {
        return zone.to_utc(zone::LocalTime{std::chrono::local_days{day}} + std::chrono::minutes{minute});
    }

    void make_shifts() {
        bool const pairs = std::any_of(composed_.week.visits.begin(), composed_.week.visits.end(),
                                       [](Visit const& v) { return v.crew > 1; });
        for (int d = 0; d < days_a_week; ++d) {
            std::vector<Shift> alone;
            for (std::size_t t = 0; t < fleet_.technicians.size(); ++t) {
                if (auto shift = shift_of(t, d)) {
                    alone.push_back(std::move(*shift));
                }
            }
            composed_.week.shifts.insert(composed_.week.shifts.end(), alone.begin(), alone.end());
            for (std::size_t a = 0; pairs && a < alone.size(); ++a) {
                for (std::size_t b = a + 1; b < alone.size(); ++b) {
                    add_pair(alone[a], alone[b]);
                }
            }
        }
    }

    bool is_taken(std::string const& technician, year_month_day day) const {
        return std::any_of(asked_.taken.begin(), asked_.taken.end(),
                           [&](Taken const& t) { return t.technician == technician && t.date == day; });
    }

    std::optional<Shift> shift_of(std::size_t t, int d) {
        auto const& technician = fleet_.technicians[t];
        auto const& depot = fleet_.depots[technician.depot];
        year_month_day const day{monday_ + std::chrono::days{d}};
        auto const& hours = technician.hours[static_cast<std::size_t>(d)];
        if (!hours || holds(technician.absences, day) || is_taken(technician.id, day)) {
            return std::nullopt;
        }
        auto const zone = zone_of(depot.time_zone);
        auto const open = std::max(at(zone, day, hours->from), asked_.now);
        auto const close = at(zone, day, hours->to);
        if (!(open < close)) {
            return std::nullopt;
        }
        auto const& rounds = fleet_.rounds;
        Shift shift;
        shift.start = shift.end = static_cast<int>(technician.depot);
        shift.open = tick(open);
        auto const overtime = static_cast<Ticks>(rounds.overtime_hours * 3600.0);
        shift.regular = static_cast<Ticks>(std::floor((tick(close) - shift.open) * rounds.fill));
        shift.longest = shift.regular + overtime;
        shift.close = tick(close) + overtime;
        shift.per_drive = price_of(rounds.hour_price / 3600.0);
        shift.per_overtime = price_of(rounds.overtime_price / 3600.0);
        shift.skills = bits(technician.skills);
        shift.persons = {static_cast<int>(t)};
        shift.day = d;
        return shift;
    }

    // Two of one depot, in one vehicle: each must have what a site asks for.
    void add_pair(Shift const& a, Shift const& b) {
        if (a.start != b.start) {
            return;
        }
        auto both = a;
        both.open = std::max(a.open, b.open);
        both.close = std::min(a.close, b.close);
        both.regular = std::min(a.regular, b.regular);
        both.longest = std::min(a.longest, b.longest);
        both.per_drive = a.per_drive + b.per_drive;
        both.per_overtime = a.per_overtime + b.per_overtime;
        both.skills = a.skills & b.skills;
        both.crew = 2;
        both.persons.push_back(b.persons[0]);
        composed_.week.shifts.push_back(std::move(both));
    }

    std::uint32_t bits(std::vector<std::string> const& skills) {
        std::uint32_t set = 0;
        for (auto const& skill : skills) {
            auto const at = std::find(skills_.begin(), skills_.end(), skill) - skills_.begin();
            if (at == static_cast<std::ptrdiff_t>(skills_.size())) {
                skills_.push_back(skill);
            }
            // Beyond 31 kinds all share the last bit: then too much is asked for, never too little.
            set |= std::uint32_t{1} << static_cast<unsigned>(std::min<std::ptrdiff_t>(at, 31));
        }
        return set;
    }

    void price_visit(std::size_t v) {
        auto& visit = composed_.week.visits[v];
        constexpr int next_chance = 9;  // Wednesday of the week after
        for (auto const& task : composed_.tasks[v]) {
            visit.unserved += task.late_a_day * std::max(1, next_chance - std::max(0, task.due_day));
        }
        // What is due shall not be left for the price of the way alone.
        visit.unserved += price_of(fleet_.rounds.hour_price * 4.0);
        for (auto const& shift : composed_.week.shifts) {
            Price late = 0;
            for (auto const& task : composed_.tasks[v]) {
                late += task.late_a_day * std::max(0, shift.day - std::max(0, task.due_day));
            }
            visit.in_shift.push_back(is_promised(composed_.tasks[v], shift) ? late : forbidden);
        }
    }

    // Or promised to nobody.
    static bool is_promised(std::vector<Task> const& tasks, Shift const& shift) {
        return std::all_of(tasks.begin(), tasks.end(), [&](Task const& task) {
            bool const goes = !task.by || std::find(shift.persons.begin(), shift.persons.end(),
                                                    static_cast<int>(*task.by)) != shift.persons.end();
            return goes && (!task.on_day || *task.on_day == shift.day);
        });
    }

    std::string impossible(std::size_t v) const {
        auto const& visit = composed_.week.visits[v];
        if (composed_.week.shifts.empty()) {
            return "nobody works in this week";
        }
        if (visit.windows.empty()) {
            return "the site lets nobody in this week: closed, or the notice it needs is too short";
        }
        bool skilled = false, crew = false;
        for (std::size_t s = 0; s < composed_.week.shifts.size(); ++s) {
            auto const& shift = composed_.week.shifts[s];
            skilled = skilled || (visit.skills & ~shift.skills) == 0;
            crew = crew || (visit.crew <= shift.crew && (visit.skills & ~shift.skills) == 0);
            auto const table = timetable(composed_.week, s, {static_cast<int>(v)});
            if (fits(shift, visit, s) && table && table->driving + table->work <= shift.longest) {
                return {};
            }
        }
        if (composed_.tasks[v].front().on_day) {
            return "it is planned for a day and a person that do not go together with working hours, the way "
                   "and "
                   "the site: plan it again";
        }
        if (!skilled) {
            return "nobody who works this week has the skills that the site asks for";
        }
        if (!crew) {
            return "it takes two persons, and no two of one depot with the skills work on the same day";
        }
        return "the way and the work do not fit into anybody's hours while the site is open";
    }

    fleet::Fleet const& fleet_;
    Asked const& asked_;
    sys_days monday_;
    Composed composed_;
    std::vector<std::string> skills_;
};

}  // namespace

Composed compose(fleet::Fleet const& fleet, Asked const& asked) {
    return Composer{fleet, asked}.run();
}

double visit_minutes(std::vector<Task> const& tasks, double sign_in_minutes) {
    constexpr double unpack_minutes = 10.0;  // and pack again; common practice, no source
    auto order = tasks;
    std::stable_sort(order.begin(), order.end(),
                     [](Task const& a, Task const& b) { return a.settle_minutes > b.settle_minutes; });
    double now = sign_in_minutes + unpack_minutes;
    std::vector<std::pair<double, double>> settled;  // when, and the minutes then
    for (auto const& task : order) {
        now += task.job.minutes - task.last_minutes;
        settled.emplace_back(now + task.settle_minutes, task.last_minutes);
    }
    std::stable_sort(settled.begin(), settled.end());
    for (auto const& [ready, minutes] : settled) {
        if (minutes > 0.0) {
            now = std::max(now, ready) + minutes;
        }
    }
    return now;
}

Round plan_round(fleet::Fleet const& fleet, Asked const& asked, SearchSettings const& settings) {
    auto const composed = compose(fleet, asked);
    auto found = search(composed.week, settings);
    ExactLimits limits;
    if (settings.go_on) {
        limits.go_on = [&] { return settings.go_on({found.iterations, found.iterations, found.price}); };
    }
    auto const proof = found.cut_short ? std::nullopt : prove(composed.week, found.plan, limits);
    auto round = to_round(fleet, asked, composed, proof ? proof->plan : found.plan);
    round.price = static_cast<double>(proof ? proof->price : found.price) / price_unit;
    if (proof) {
        round.bound = static_cast<double>(proof->bound) / price_unit;
    }
    round.cut_short = found.cut_short;
    return round;
}

}  // namespace probekeeper::rounds
