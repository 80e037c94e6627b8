#include "rounds/finder.h"

#include <algorithm>
#include <limits>

namespace probekeeper::rounds {
namespace {

constexpr auto closed = std::numeric_limits<std::int64_t>::max();

}  // namespace

Finder::Finder(Week const& week, Kinds const& kinds)
    : week_{week},
      kinds_{kinds},
      loss_(week.visits.size(), 0),
      marked_(week.visits.size(), 0),
      next_count_(week.visits.size(), 0) {
    for (std::size_t v = 0; v < week.visits.size(); ++v) {
        near_.push_back(neighbours(static_cast<int>(v)));
    }
    for (auto const& alike : kinds.shifts) {
        auto& stops = stops_.emplace_back();
        for (auto const& visit : week.visits) {
            stops.push_back(stop_of(week.shifts[alike.front()], alike.front(), visit));
        }
    }
}

std::vector<Finder::Near> Finder::neighbours(int v) const {
    std::vector<Near> near;
    auto const n = static_cast<int>(week_.visits.size());
    for (int u = 0; u < n; ++u) {
        if (u != v && visit(u).rank >= visit(v).rank) {
            near.push_back({u, week_.way(visit(v).place, visit(u).place)});
        }
    }
    std::stable_sort(near.begin(), near.end(), [](Near const& a, Near const& b) { return a.way < b.way; });
    return near;
}

Finder::Stop Finder::stop_of(Shift const& shift, std::size_t shift_index, Visit const& visit) {
    Stop stop;
    stop.first = {0, -1};
    stop.work = visit.work;
    stop.load = visit.load;
    stop.back = week_.way(visit.place, shift.end);
    stop.most_busy = shift.longest - stop.back - stop.work;
    stop.most_load = shift.capacity - stop.load;
    stop.here = visit.in_shift.empty() ? 0 : visit.in_shift[shift_index];
    stop.others_from = stop.others_to = static_cast<std::uint32_t>(others_.size());
    if (!fits(shift, visit, shift_index)) {
        return stop;
    }
    auto const soonest = shift.open + week_.way(shift.start, visit.place);
    bool has_first = false;
    for (auto const& window : visit.windows) {
        Begin const begin{window.open, std::min(window.close, shift.close - stop.back) - visit.work};
        if (begin.latest < std::max(begin.earliest, soonest)) {
            continue;
        }
        if (has_first) {
            others_.push_back(begin);
        } else {
            stop.first = begin;
            has_first = true;
        }
    }
    stop.others_to = static_cast<std::uint32_t>(others_.size());
    return stop;
}

void Finder::among(std::vector<char> const& visits) {
    among_.clear();
    near_among_.resize(near_.size());
    for (std::size_t v = 0; v < visits.size(); ++v) {
        auto& near = near_among_[v];
        near.clear();
        if (visits[v] == 0) {
            continue;
        }
        among_.push_back(static_cast<int>(v));
        std::copy_if(near_[v].begin(), near_[v].end(), std::back_inserter(near),
                     [&](Near const& to) { return visits[static_cast<std::size_t>(to.visit)] != 0; });
    }
}

std::vector<FoundRoute> Finder::find(std::size_t kind, std::vector<Price> const& worth, Price least_gain,
                                     Effort const& effort, std::size_t most) {
    shift_ = kinds_.shifts[kind].front();
    stop_ = stops_[kind].data();
    most_labels_ = effort.labels;
    next_.resize(week_.visits.size() * most_labels_);
    labels_.clear();
    auto const& shift = week_.shifts[shift_];
    Label const depot{shift.fixed, shift.open, 0, 0, -1, -1};
    labels_.push_back(depot);
    for (int const one : among_) {
        auto const v = static_cast<std::size_t>(one);
        auto const& stop = stop_[v];
        bool const open = stop.first.latest >= stop.first.earliest && worth[v] > stop.here;
        marked_[v] = open ? mark_ : closed;
        if (open) {  // elsewhere there may be no price to be here
            loss_[v] = stop.here - worth[v];
            arrive(0, depot, one, week_.way(shift.start, visit(one).place));
        }
    }
    std::vector<std::pair<Price, int>> best(week_.visits.size(), {least_gain, -1});  // by last visit
    while (!reached_.empty()) {
        auto const level = static_cast<int>(labels_.size());
        for (int const one : reached_) {
            auto const v = static_cast<std::size_t>(one);
            for (auto i = v * most_labels_; i < v * most_labels_ + next_count_[v]; ++i) {
                auto const gain = -loss_at_home(next_[i]);
                best[v] = gain > best[v].first ? std::pair{gain, static_cast<int>(labels_.size())} : best[v];
                labels_.push_back(next_[i]);
            }
            next_count_[v] = 0;
        }
        reached_.clear();
        auto const end = static_cast<int>(labels_.size());
        for (int l = level; l < end; ++l) {
            extend(l, effort.near);
        }
    }
    std::erase_if(best, [](auto const& one) { return one.second < 0; });
    std::sort(best.begin(), best.end(), [](auto const& a, auto const& b) {
        return a.first != b.first ? a.first > b.first : a.second < b.second;
    });
    best.resize(std::min(best.size(), most));
    std::vector<FoundRoute> found;
    for (auto const& [gain, label] : best) {
        found.push_back(finished(label));
        found.back().gain = gain;
    }
    return found;
}

void Finder::extend(int from, std::size_t near) {
    auto const label = labels_[static_cast<std::size_t>(from)];
    ++mark_;
    for (int l = from; l > 0; l = labels_[static_cast<std::size_t>(l)].before) {
        marked_[static_cast<std::size_t>(labels_[static_cast<std::size_t>(l)].visit)] = mark_;
    }
    std::size_t gone = 0;
    for (auto const& to : near_among_[static_cast<std::size_t>(label.visit)]) {
        if (marked_[static_cast<std::size_t>(to.visit)] >= mark_) {
            continue;
        }
        arrive(from, label, to.visit, to.way);
        if (++gone == near) {
            return;
        }
    }
}

void Finder::arrive(int from, Label const& label, int v, Ticks way) {
    ++tried_;
    auto const& stop = stop_[static_cast<std::size_t>(v)];
    if (label.busy + way > stop.most_busy || label.load > stop.most_load) {
        return;
    }
    auto const arrived = label.leave + way;
    auto begin = std::max(arrived, stop.first.earliest);
    if (begin > stop.first.latest) {
        auto const end = others_.begin() + stop.others_to;
        auto const later = std::find_if(others_.begin() + stop.others_from, end,
                                        [&](Begin const& other) { return arrived <= other.latest; });
        if (later == end) {
            return;
        }
        begin = std::max(arrived, later->earliest);
    }
    keep({label.loss + week_.shifts[shift_].per_drive * way + loss_[static_cast<std::size_t>(v)],
          begin + stop.work, label.busy + way + stop.work, label.load + stop.load, v, from});
}

void Finder::keep(Label const& label) {
    auto const v = static_cast<std::size_t>(label.visit);
    auto* const here = next_.data() + v * most_labels_;
    auto const count = next_count_[v];
    std::size_t worst = 0;
    for (std::size_t i = 0; i < count; ++i) {
        auto const& other = here[i];
        if (other.loss <= label.loss && other.leave <= label.leave && other.busy <= label.busy) {
            return;
        }
        if (label.loss <= other.loss && label.leave <= other.leave && label.busy <= other.busy) {
            here[i] = label;
            return;
        }
        worst = other.loss > here[worst].loss ? i : worst;
    }
    if (count < most_labels_) {
        if (count == 0) {
            reached_.push_back(label.visit);
        }
        here[count] = label;
        ++next_count_[v];
    } else if (label.loss < here[worst].loss) {
        here[worst] = label;
    }
}

Price Finder::loss_at_home(Label const& label) const {
    auto const& shift = week_.shifts[shift_];
    auto const back = stop_[static_cast<std::size_t>(label.visit)].back;
    return label.loss + shift.per_drive * back +
           shift.per_overtime * std::max(0, label.busy + back - shift.regular);
}

FoundRoute Finder::finished(int label) const {
    FoundRoute found;
    found.price = loss_at_home(labels_[static_cast<std::size_t>(label)]);
    for (int l = label; l > 0; l = labels_[static_cast<std::size_t>(l)].before) {
        auto const v = labels_[static_cast<std::size_t>(l)].visit;
        auto const& stop = stop_[static_cast<std::size_t>(v)];
        found.visits.push_back(v);
        found.price += stop.here - loss_[static_cast<std::size_t>(v)];
    }
    std::reverse(found.visits.begin(), found.visits.end());
    return found;
}

}  // namespace probekeeper::rounds
