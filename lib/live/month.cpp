// What is known of a month at a site, gathered out of the store.
#include <iterator>

#include "live/backend.h"
#include "live/lessons.h"
#include "live/month_source.h"
#include "live/refusals.h"

namespace probekeeper::live {
namespace {

using service::ConditionChange;
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
        return reader.diagnoses(probe.id, source.from - diagnosed_before, source.until, page);
    });
    std::vector<ConditionChange> conditions;
    for (auto const& d : told) {
        conditions.push_back({d.at, d.condition});
    }
    auto const newest = reader.newest_diagnosis(probe.id).value();
    out.conditions =
        conditions_of(std::move(conditions),
                      newest ? std::optional{ConditionChange{newest->at, newest->condition}} : std::nullopt,
                      std::move(gaps), source);
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
    source.lives = lives_at(source.site, fleet, past, source.now);
    return source;
}

}  // namespace

api::Answer<api::SiteMonth> Backend::site_month(std::string const& id,
                                                std::optional<std::chrono::year_month> wanted) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& fleet = now.value().board->fleet();
    auto const index = fleet.find_site(id);
    if (!index) {
        return api::Refusal{api::Refusal::Kind::not_found, "there is no site " + id, {}, {}};
    }
    auto asked = month_asked(fleet.sites[*index], wanted, clock_.now());
    if (!asked) {
        return asked.error();
    }
    auto const past = history(now.value());
    auto lease = readers_.lend();
    if (!past || !lease) {
        return unreadable();
    }
    try {
        auto report = service::month_report(
            gathered(*lease.value(), *past.value(), fleet, *index, std::move(asked->source)));
        return api::SiteMonth{asked->month, std::move(report), std::move(asked->facts)};
    } catch (std::runtime_error const&) {  // a result of the store that was a failure
        return unreadable();
    }
}

}  // namespace probekeeper::live
