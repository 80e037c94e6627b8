#include "rounds/finder.h"

#include <algorithm>

namespace probekeeper::rounds {

Finder::Finder(Week const& week, Kinds const& kinds)
    : week_{week}, kinds_{kinds}, marked_(week.visits.size(), 0), next_(week.visits.size()) {
    auto const n = static_cast<int>(week.visits.size());
    near_.resize(week.visits.size());
    for (int v = 0; v < n; ++v) {
        auto& near = near_[static_cast<std::size_t>(v)];
        for (int u = 0; u < n; ++u) {
            ways_.push_back(week.way(visit(v).place, visit(u).place));
            if (u != v && visit(u).rank >= visit(v).rank) {
                near.push_back(u);
            }
        }
        std::stable_sort(near.begin(), near.end(), [&](int a, int b) { return way(v, a) < way(v, b); });
    }
    for (auto const& alike : kinds.shifts) {
        auto& could = could_.emplace_back();
        for (auto const& visit : week.visits) {
            could.push_back(fits(week.shifts[alike.front()], visit, alike.front()) ? 1 : 0);
        }
    }
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
                     [&](int u) { return visits[static_cast<std::size_t>(u)] != 0; });
    }
}

std::vector<FoundRoute> Finder::find(std::size_t kind, std::vector<Price> const& worth, Price least_gain,
                                     Effort const& effort, std::size_t most) {
    shift_ = kinds_.shifts[kind].front();
    worth_ = &worth;
    most_labels_ = effort.labels;
    labels_.clear();
    open_ = could_[kind];
    auto const& shift = week_.shifts[shift_];
    for (int const one : among_) {
        auto const v = static_cast<std::size_t>(one);
        auto const& who = week_.visits[v];
        auto const here = who.in_shift.empty() ? 0 : who.in_shift[shift_];
        open_[v] = static_cast<char>(open_[v] != 0 && worth[v] > here);
    }
    Label const depot{shift.open, 0, 0, -1, -1, shift.fixed, shift.fixed};
    labels_.push_back(depot);
    for (int const v : among_) {
        if (open_[static_cast<std::size_t>(v)] != 0) {
            arrive(0, v, week_.way(shift.start, visit(v).place));
        }
    }
    std::vector<std::pair<Price, int>> best(open_.size(), {least_gain, -1});  // by last visit
    while (!reached_.empty()) {
        std::vector<int> level;
        for (int const v : reached_) {
            auto& here = next_[static_cast<std::size_t>(v)];
            level.insert(level.end(), here.begin(), here.end());
            here.clear();
        }
        reached_.clear();
        for (int const l : level) {
            auto const& label = labels_[static_cast<std::size_t>(l)];
            auto const gain = label.price - label.loss - at_home(label);
            auto& top = best[static_cast<std::size_t>(label.visit)];
            top = gain > top.first ? std::pair{gain, l} : top;
        }
        for (int const l : level) {
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
    int const at = labels_[static_cast<std::size_t>(from)].visit;
    ++mark_;
    for (int l = from; labels_[static_cast<std::size_t>(l)].visit >= 0;
         l = labels_[static_cast<std::size_t>(l)].before) {
        marked_[static_cast<std::size_t>(labels_[static_cast<std::size_t>(l)].visit)] = mark_;
    }
    std::size_t gone = 0;
    for (int const v : near_among_[static_cast<std::size_t>(at)]) {
        if (open_[static_cast<std::size_t>(v)] == 0 || marked_[static_cast<std::size_t>(v)] == mark_) {
            continue;
        }
        arrive(from, v, way(at, v));
        if (++gone == near) {
            return;
        }
    }
}

void Finder::arrive(int from, int v, Ticks way) {
    ++tried_;
    auto const& label = labels_[static_cast<std::size_t>(from)];
    auto const& shift = week_.shifts[shift_];
    auto const& who = visit(v);
    auto const back = week_.way(who.place, shift.end);
    Label longer;
    longer.busy = label.busy + way + who.work;
    longer.load = label.load + who.load;
    if (longer.busy + back > shift.longest || longer.load > shift.capacity) {
        return;
    }
    for (auto const& window : who.windows) {
        auto const begin = std::max(label.leave + way, window.open);
        if (begin + who.work > window.close) {
            continue;
        }
        longer.leave = begin + who.work;
        if (longer.leave + back > shift.close) {
            return;
        }
        auto const price = shift.per_drive * way + (who.in_shift.empty() ? 0 : who.in_shift[shift_]);
        longer.price = label.price + price;
        longer.loss = label.loss + price - (*worth_)[static_cast<std::size_t>(v)];
        longer.visit = v;
        longer.before = from;
        keep(longer);
        return;
    }
}

void Finder::keep(Label const& label) {
    auto& here = next_[static_cast<std::size_t>(label.visit)];
    int* worst = nullptr;
    for (int& l : here) {
        auto const& other = labels_[static_cast<std::size_t>(l)];
        if (other.loss <= label.loss && other.leave <= label.leave && other.busy <= label.busy) {
            return;
        }
        if (label.loss <= other.loss && label.leave <= other.leave && label.busy <= other.busy) {
            labels_[static_cast<std::size_t>(l)] = label;
            return;
        }
        if (worst == nullptr || other.loss > labels_[static_cast<std::size_t>(*worst)].loss) {
            worst = &l;
        }
    }
    if (here.size() < most_labels_) {
        if (here.empty()) {
            reached_.push_back(label.visit);
        }
        here.push_back(static_cast<int>(labels_.size()));
        labels_.push_back(label);
    } else if (label.loss < labels_[static_cast<std::size_t>(*worst)].loss) {
        labels_[static_cast<std::size_t>(*worst)] = label;
    }
}

Price Finder::at_home(Label const& label) const {
    auto const& shift = week_.shifts[shift_];
    auto const back = week_.way(visit(label.visit).place, shift.end);
    return label.price + shift.per_drive * back +
           shift.per_overtime * std::max(0, label.busy + back - shift.regular);
}

FoundRoute Finder::finished(int label) const {
    FoundRoute found;
    found.price = at_home(labels_[static_cast<std::size_t>(label)]);
    for (; labels_[static_cast<std::size_t>(label)].visit >= 0;
         label = labels_[static_cast<std::size_t>(label)].before) {
        found.visits.push_back(labels_[static_cast<std::size_t>(label)].visit);
    }
    std::reverse(found.visits.begin(), found.visits.end());
    return found;
}

}  // namespace probekeeper::rounds
