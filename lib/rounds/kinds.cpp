#include "rounds/kinds.h"

#include <algorithm>
#include <map>
#include <tuple>

namespace probekeeper::rounds {
namespace {

struct Seat {  // a person on a day; of a shift that names nobody, the shift itself
    int day = 0, person = 0;
    auto operator<=>(Seat const&) const = default;
};

// By shift: what it is, its people apart.
std::vector<int> looks_of(Week const& week) {
    using Look = std::tuple<int, int, Ticks, Ticks, Ticks, Ticks, std::int32_t, Price, Price, Price,
                            std::uint32_t, int, int, std::size_t, std::vector<Price>>;
    std::map<Look, int> known;
    std::vector<int> looks;
    for (std::size_t s = 0; s < week.shifts.size(); ++s) {
        auto const& shift = week.shifts[s];
        std::vector<Price> prices;
        for (auto const& visit : week.visits) {
            prices.push_back(visit.in_shift.empty() ? 0 : visit.in_shift[s]);
        }
        Look look{shift.start,   shift.end,      shift.open,      shift.close,          shift.regular,
                  shift.longest, shift.capacity, shift.per_drive, shift.per_overtime,   shift.fixed,
                  shift.skills,  shift.crew,     shift.day,       shift.persons.size(), std::move(prices)};
        looks.push_back(known.emplace(std::move(look), static_cast<int>(known.size())).first->second);
    }
    return looks;
}

class Sorter {
public:
    explicit Sorter(Week const& week) : week_{week}, looks_{looks_of(week)} {
        for (std::size_t s = 0; s < week.shifts.size(); ++s) {
            for (auto const& seat : seats_of(s)) {
                shifts_of_[seat].push_back(s);
            }
        }
    }

    Kinds run() {
        Kinds kinds;
        std::map<Seat, int> crew_of;
        std::vector<Seat> firsts;  // of each crew
        for (auto const& [seat, shifts] : shifts_of_) {
            auto const same =
                std::find_if(firsts.begin(), firsts.end(),
                             [this, &seat = seat](Seat const& first) { return alike(first, seat); });
            auto const crew = static_cast<int>(same - firsts.begin());
            if (same == firsts.end()) {
                firsts.push_back(seat);
                kinds.crew_size.push_back(0);
            }
            ++kinds.crew_size[static_cast<std::size_t>(crew)];
            crew_of[seat] = crew;
        }
        std::map<std::pair<int, std::vector<int>>, std::size_t> known;
        for (std::size_t s = 0; s < week_.shifts.size(); ++s) {
            std::vector<int> crews;
            for (auto const& seat : seats_of(s)) {
                crews.push_back(crew_of.at(seat));
            }
            std::sort(crews.begin(), crews.end());
            auto const [at, is_new] = known.emplace(std::pair{looks_[s], crews}, kinds.shifts.size());
            if (is_new) {
                kinds.shifts.emplace_back();
                kinds.crews.push_back(std::move(crews));
            }
            kinds.shifts[at->second].push_back(s);
            kinds.kind_of.push_back(at->second);
        }
        return kinds;
    }

private:
    std::vector<Seat> seats_of(std::size_t s) const {
        auto const& shift = week_.shifts[s];
        std::vector<Seat> seats;
        for (int const person : shift.persons) {
            seats.push_back({shift.day, person});
        }
        if (seats.empty()) {
            seats.push_back({shift.day, -1 - static_cast<int>(s)});
        }
        return seats;
    }

    // The shifts that `seat` is in, with `seat` and `other` no longer told apart.
    std::vector<std::pair<int, std::vector<Seat>>> seen_from(Seat const& seat, Seat const& other) const {
        std::vector<std::pair<int, std::vector<Seat>>> seen;
        for (auto const s : shifts_of_.at(seat)) {
            auto seats = seats_of(s);
            for (auto& one : seats) {
                one = one == other ? seat : one;
                one = one == seat ? Seat{one.day, std::numeric_limits<int>::max()} : one;
            }
            std::sort(seats.begin(), seats.end());
            seen.emplace_back(looks_[s], std::move(seats));
        }
        std::sort(seen.begin(), seen.end());
        return seen;
    }

    bool alike(Seat const& a, Seat const& b) const {
        return a.day == b.day && seen_from(a, b) == seen_from(b, a);
    }

    Week const& week_;
    std::vector<int> looks_;
    std::map<Seat, std::vector<std::size_t>> shifts_of_;
};

}  // namespace

Kinds kinds_of(Week const& week) {
    return Sorter{week}.run();
}

std::optional<std::size_t> Roster::take(std::size_t kind) {
    for (auto const s : kinds_.shifts[kind]) {
        bool const busy = std::any_of(week_.shifts.begin(), week_.shifts.end(), [&](Shift const& other) {
            auto const o = static_cast<std::size_t>(&other - week_.shifts.data());
            return used_[o] && (o == s || exclude(week_.shifts[s], other));
        });
        if (!busy) {
            used_[s] = true;
            return s;
        }
    }
    return std::nullopt;
}

}  // namespace probekeeper::rounds
