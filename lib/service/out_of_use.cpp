#include "service/out_of_use.h"

#include <algorithm>

namespace probekeeper::service {

std::vector<Absence> absences_of(std::span<OutOfUse const> told, std::string const& site,
                                 std::string const& probe) {
    std::vector<Absence> all;
    for (auto const& t : told) {
        auto const until = t.until.value_or(Timestamp::max());
        if (t.site == site && (!t.probe || *t.probe == probe) && t.from < until) {
            all.push_back({t.from, until});
        }
    }
    std::sort(all.begin(), all.end(), [](Absence const& a, Absence const& b) { return a.from < b.from; });
    std::vector<Absence> joined;
    for (auto const& absence : all) {
        if (!joined.empty() && absence.from <= joined.back().until) {
            joined.back().until = std::max(joined.back().until, absence.until);
        } else {
            joined.push_back(absence);
        }
    }
    return joined;
}

}  // namespace probekeeper::service
