// What is known of a month at a site, gathered out of the store.
#include <algorithm>
#include <iterator>

#include "live/backend.h"
#include "live/lessons.h"
#include "live/refusals.h"

namespace probekeeper::live {
namespace {

using service::ConditionChange;
using std::chrono::year_month;

// History has a diagnosis of every day's beginning at least: one that is older says nothing of today.
constexpr std::chrono::hours oldest_diagnosis{25};

Timestamp start_of(zone::Zone const& zone, year_month month) {
    return zone.start_of(month / std::chrono::day{1});
}

struct Gap {
    Timestamp from{}, until{};
};

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

// All pages of a list of the store. Throws where it cannot be read, as the next ones do.
template <typename T, typename Ask>
std::vector<T> all_pages(Ask const& ask) {
    std::vector<T> all;
    store::PageRequest request{1000, std::nullopt};
    do {
        auto page = ask(request).value();
        std::move(page.items.begin(), page.items.end(), std::back_inserter(all));
        request.after = page.next;
    } while (request.after);
    return all;
}

service::ReportedProbe reported(store::Reader& reader, fleet::Probe const& probe,
                                service::ReportSource const& source, std::vector<Gap> gaps) {
    service::ReportedProbe out;
    out.id = probe.id;
    out.location = probe.location;
    // From before the month: what holds at its beginning was said by then.
    auto const told = all_pages<store::ProbeDiagnosis>([&](store::PageRequest const& page) {
        return reader.diagnoses(probe.id, source.from - 2 * oldest_diagnosis, source.until, page);
    });
    std::vector<ConditionChange> conditions;
    for (auto const& d : told) {
        conditions.push_back({d.at, d.condition});
    }
    if (auto const newest = reader.newest_diagnosis(probe.id).value();
        newest && newest->at < source.until && (conditions.empty() || conditions.back().at < newest->at)) {
        conditions.push_back({newest->at, newest->condition});
    }
    add_silences(conditions, std::min(source.until, source.now), gaps);
    std::sort(gaps.begin(), gaps.end(), [](Gap const& a, Gap const& b) { return a.from < b.from; });
    out.conditions = with_gaps(conditions, gaps);
    out.tests = all_pages<diagnosis::ResponseTest>(
        [&](store::PageRequest const& page) { return reader.response_tests(probe.id, source.from, page); });
    return out;
}

service::ReportSource gathered(store::Reader& reader, History const& past, fleet::Fleet const& fleet,
                               fleet::SiteIndex index, service::ReportSource source) {
    auto const told = reader.out_of_use().value();
    std::vector<Gap> downtimes;
    auto const not_running = reader.downtimes(source.from).value();
    for (auto const& downtime : not_running) {
        downtimes.push_back({downtime.stopped_at, downtime.started_at});
    }
    for (auto const& probe : fleet.probes) {
        if (probe.site == index) {
            source.probes.push_back(reported(reader, probe, source, downtimes));
            source.probes.back().absences = service::absences_of(told, source.site, probe.id);
        }
    }
    store::TicketFilter of_site;
    of_site.site = source.site;
    source.tickets = all_pages<service::Ticket>(
        [&](store::PageRequest const& page) { return reader.tickets(of_site, page); });
    source.records = reader.site_records(source.site).value();
    // An instrument may have come from another site, and brought its membrane.
    for (auto& life : lives_of(fleet, past, source.now)) {
        if (life.site == source.site) {
            source.lives.push_back(std::move(life));
        }
    }
    return source;
}

}  // namespace

api::Answer<api::SiteMonth> Backend::site_month(std::string const& id, std::optional<year_month> wanted) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& fleet = now.value().board->fleet();
    auto const index = fleet.find_site(id);
    if (!index) {
        return api::Refusal{api::Refusal::Kind::not_found, "there is no site " + id, {}, {}};
    }
    auto const& site = fleet.sites[*index];
    auto const zone = zone::Zone::find(site.time_zone).value_or(zone::Zone::utc());
    service::ReportSource source;
    source.site = id;
    source.now = clock_.now();
    auto const today = zone.day_of(source.now);
    auto const this_month = today.year() / today.month();
    auto const month = wanted.value_or(this_month - std::chrono::months{1});
    if (month > this_month) {
        return api::Refusal{api::Refusal::Kind::invalid, "month has not begun there yet", "month", {}};
    }
    source.from = start_of(zone, month);
    source.until = start_of(zone, month + std::chrono::months{1});
    auto const past = history(now.value());
    auto lease = readers_.lend();
    if (!past || !lease) {
        return unreadable();
    }
    try {
        auto report = service::month_report(gathered(*lease.value(), *past.value(), fleet, *index, source));
        return api::SiteMonth{month,
                              std::move(report),
                              {site.name, site.address, site.time_zone, source.until, source.now, zone}};
    } catch (std::runtime_error const&) {  // a result of the store that was a failure
        return unreadable();
    }
}

}  // namespace probekeeper::live
