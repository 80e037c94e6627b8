#include "live/arrivals.h"

#include <algorithm>

namespace probekeeper::live {

Arrivals::Announced::Announced(Arrivals& arrivals, BySite const& ranges) : arrivals_{arrivals} {
    std::scoped_lock const lock{arrivals_.mutex_};
    for (auto const& range : ranges) {
        coming_.push_back(arrivals_.coming_.insert(range));
    }
}

Arrivals::Announced::~Announced() {
    std::scoped_lock const lock{arrivals_.mutex_};
    for (auto const& coming : coming_) {
        arrivals_.add(coming->first, coming->second);
        arrivals_.coming_.erase(coming);
    }
    if (arrivals_.where_come_) {
        arrivals_.where_come_();
    }
}

void Arrivals::call(std::function<void()> where_come) {
    std::scoped_lock const lock{mutex_};
    where_come_ = std::move(where_come);
}

void Arrivals::add(std::string const& site, Range range) {
    auto const [known, added] = came_.emplace(site, range);
    known->second.first = std::min(known->second.first, range.first);
    known->second.last = std::max(known->second.last, range.last);
}

void Arrivals::came(std::string const& site, Range range) {
    std::scoped_lock const lock{mutex_};
    add(site, range);
}

std::optional<Arrivals::Range> Arrivals::take(std::string const& site) {
    std::scoped_lock const lock{mutex_};
    auto const taken = came_.extract(site);
    return taken.empty() ? std::nullopt : std::optional{taken.mapped()};
}

bool Arrivals::is_known(std::string const& site, Timestamp position) const {
    auto const [begin, end] = coming_.equal_range(site);
    bool const comes =
        std::any_of(begin, end, [&](auto const& coming) { return coming.second.first <= position; });
    auto const came = came_.find(site);
    return !comes && (came == came_.end() || position < came->second.first);
}

bool Arrivals::known(std::string const& site, Timestamp position) const {
    std::scoped_lock const lock{mutex_};
    return is_known(site, position);
}

void Arrivals::hand_on(store::Changes changes, store::Writer& writer) const {
    std::scoped_lock const lock{mutex_};
    std::erase_if(changes.checkpoints, [&](auto const& c) { return !is_known(c.site, c.position); });
    writer.later(std::move(changes));
}

}  // namespace probekeeper::live
