#include "live/month_source.h"

#include <algorithm>

namespace probekeeper::live {
namespace {

using service::ConditionChange;
using std::chrono::year_month;

// History has a diagnosis of every day's beginning at least: one that is older says nothing of today.
constexpr std::chrono::hours oldest_diagnosis{25};
static_assert(diagnosed_before == 2 * oldest_diagnosis);

Timestamp start_of(zone::Zone const& zone, year_month month) {
    return zone.start_of(month / std::chrono::day{1});
}

// In a gap nothing was known, whatever was known before it.
std::vector<ConditionChange> with_gaps(std::vector<ConditionChange> const& told,
                                       std::vector<Gap> const& gaps) {
    std::vector<ConditionChange> out;
    auto current = diagnosis::Condition::unknown;
    std::size_t next = 0;
    auto const take_until = [&](Timestamp time, bool silent) {
        for (; next < told.size() && told[next].at < time; ++next) {
            current = told[next].condition;
            if (!silent) {
                out.push_back(told[next]);
            }
        }
    };
    for (auto const& gap : gaps) {
        take_until(gap.from, false);
        out.push_back({gap.from, diagnosis::Condition::unknown});
        take_until(gap.until, true);
        out.push_back({gap.until, current});
    }
    take_until(Timestamp::max(), false);
    return out;
}

// Where no diagnosis was made for longer than one stays true.
void add_silences(std::vector<ConditionChange> const& told, Timestamp until, std::vector<Gap>& gaps) {
    for (std::size_t i = 0; i < told.size(); ++i) {
        auto const next = i + 1 < told.size() ? told[i + 1].at : until;
        if (next - told[i].at > oldest_diagnosis) {
            gaps.push_back({told[i].at + oldest_diagnosis, next});
        }
    }
}

}  // namespace

api::Answer<MonthAsked> month_asked(fleet::Site const& site, std::optional<year_month> wanted,
                                    Timestamp now) {
    auto const zone = zone::Zone::find(site.time_zone).value_or(zone::Zone::utc());
    auto const today = zone.day_of(now);
    auto const this_month = today.year() / today.month();
    MonthAsked asked{wanted.value_or(this_month - std::chrono::months{1}), {}, {}};
    if (asked.month > this_month) {
        return api::Refusal{api::Refusal::Kind::invalid, "month has not begun there yet", "month", {}};
    }
    auto& source = asked.source;
    source.site = site.id;
    source.now = now;
    source.from = start_of(zone, asked.month);
    source.until = start_of(zone, asked.month + std::chrono::months{1});
    asked.facts = {site.name, site.address, site.time_zone, source.until, now, zone};
    return asked;
}

std::vector<ConditionChange> conditions_of(std::vector<ConditionChange> told,
                                           std::optional<ConditionChange> const& newest,
                                           std::vector<Gap> gaps, service::ReportSource const& source) {
    if (newest && newest->at < source.until && (told.empty() || told.back().at < newest->at)) {
        told.push_back(*newest);
    }
    add_silences(told, std::min(source.until, source.now), gaps);
    std::sort(gaps.begin(), gaps.end(), [](Gap const& a, Gap const& b) { return a.from < b.from; });
    return with_gaps(told, gaps);
}

}  // namespace probekeeper::live
