#include "rounds/finder.h"

#include <algorithm>
#include <limits>

namespace probekeeper::rounds {
namespace {

constexpr auto closed = std::numeric_limits<std::int64_t>::max();
constexpr std::size_t hopes = 64;  // lengths of time that are told apart

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
    least_gain_ = least_gain;
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
    set_hopes();
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

// A knapsack of visits, the last one in part, each with its work and twice the way from its nearest neighbour
// (by trial: once drops half as many labels). That is too little where visits lie on the way home anyway,
// which is seldom enough.
void Finder::set_hopes() {
    by_rate_.clear();
    tried_ += static_cast<std::int64_t>(among_.size());
    auto const& shift = week_.shifts[shift_];
    for (int const one : among_) {
        auto const v = static_cast<std::size_t>(one);
        if (marked_[v] == closed) {
            continue;
        }
        auto const way = near_among_[v].empty() ? 0 : 2 * near_among_[v].front().way;
        auto const gain = static_cast<double>(-loss_[v] - shift.per_drive * way);
        if (gain > 0.0) {
            by_rate_.push_back({gain, std::max(1.0, static_cast<double>(stop_[v].work) + way)});
        }
    }
    std::stable_sort(by_rate_.begin(), by_rate_.end(),
                     [](Hope const& a, Hope const& b) { return a.gain * b.time > b.gain * a.time; });
    hopes_.assign(hopes + 1, 0);
    double const span = static_cast<double>(shift.close) - static_cast<double>(shift.open);
    double gained = 0.0, left = 0.0;  // of the visit that is being packed
    std::size_t next = 0;
    for (std::size_t i = 1; i <= hopes; ++i) {
        auto time = span / static_cast<double>(hopes);
        while (time > 0.0 && next < by_rate_.size()) {
            left = left > 0.0 ? left : by_rate_[next].time;
            auto const part = std::min(time, left);
            gained += by_rate_[next].gain * part / by_rate_[next].time;
            time -= part;
            left -= part;
            next += left > 0.0 ? 0 : 1;
        }
        hopes_[i] = static_cast<Price>(gained);
    }
}

// What a route that begins so may gain at most, or nearly so.
Price Finder::hope_of(Label const& label) const {
    auto const& shift = week_.shifts[shift_];
    auto const& stop = stop_[static_cast<std::size_t>(label.visit)];
    auto const time =
        std::min(stop.most_busy + stop.work - label.busy, shift.close - stop.back - label.leave);
    auto const span = std::max<std::int64_t>(1, std::int64_t{shift.close} - shift.open);
    auto const at = std::clamp<std::int64_t>(std::int64_t{time} * static_cast<std::int64_t>(hopes) / span + 1,
                                             0, static_cast<std::int64_t>(hopes));
    return hopes_[static_cast<std::size_t>(at)] - label.loss - shift.per_drive * stop.back;
}

void Finder::extend(int from, std::size_t near) {
    auto const label = labels_[static_cast<std::size_t>(from)];
    ++tried_;
    if (hope_of(label) <= least_gain_) {
        return;
    }
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
