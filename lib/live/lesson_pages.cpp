#include "live/lesson_pages.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>

#include "api/paging.h"
#include "estimate/robust.h"
#include "live/refusals.h"

namespace probekeeper::live {
namespace {

using Kind = api::Refusal::Kind;

bool among(std::vector<std::string> const& only, std::string const& site) {
    return only.empty() || std::find(only.begin(), only.end(), site) != only.end();
}

std::string site_of(History const& history, std::string const& probe) {
    auto const known = history.sites.find(probe);
    return known == history.sites.end() ? std::string{} : known->second;
}

// Where it has been at sites that may be seen, and in the workshop.
document::Instrument shown_of(service::Instrument const& instrument, History const& history,
                              std::vector<std::string> const& only) {
    document::Instrument out;
    out.serial = instrument.serial;
    for (auto const& stay : instrument.stays) {
        auto const site = site_of(history, stay.probe);
        if (stay.probe.empty() || among(only, site)) {
            out.stays.push_back({stay.probe, site, stay.from, stay.until});
        }
    }
    return out;
}

// The workshop alone is no site of anybody's.
bool is_seen(document::Instrument const& instrument) {
    return std::any_of(instrument.stays.begin(), instrument.stays.end(),
                       [](auto const& stay) { return !stay.probe.empty(); });
}

// One that is now where the caller may not look goes on elsewhere.
void close_stays(document::Instrument& instrument) {
    if (instrument.stays.back().until) {
        instrument.stays.push_back({"", "", instrument.stays.back().until, std::nullopt});
    }
}

// Keys that grow along the lists. `!` sorts before all that an id may hold.
std::string key_of(service::ReasonTally const& tally) {
    auto const reason = static_cast<int>(tally.reason);
    if (tally.site) {
        return fmt::format("2{}!{:02}", *tally.site, reason);
    }
    return tally.kind ? fmt::format("1{}!{:02}", fleet::to_word(*tally.kind), reason)
                      : fmt::format("0!{:02}", reason);
}

std::string key_of(service::LifeStatistics const& s) {
    if (s.site) {
        return "3" + *s.site;
    }
    return s.kind ? "2" + *s.kind : s.water ? fmt::format("1{}", fleet::to_word(*s.water)) : "0";
}

template <typename T, typename KeyOf>
api::Answer<api::Page<T>> page_by_key(std::vector<T> const& all, api::PageRequest const& page,
                                      KeyOf const& key_of) {
    bool const known = !page.after || std::any_of(all.begin(), all.end(),
                                                  [&](T const& item) { return key_of(item) == *page.after; });
    if (!known) {
        return bad_position();
    }
    return api::page_by_id<T>(
        all, page, key_of, [](T const&) { return true; }, [](T const& item) { return item; });
}

std::string number_key(service::OutOfUse const& told) {
    return fmt::format("{:012}", told.number);
}

std::string life_key(service::MembraneLife const& life) {
    return fmt::format("{}!{}", to_rfc3339(life.installed), life.serial.empty() ? life.probe : life.serial);
}

}  // namespace

std::optional<api::Refusal> refuse_unknown_site(std::optional<std::string> const& site,
                                                fleet::Fleet const& fleet) {
    return !site || fleet.find_site(*site)
               ? std::nullopt
               : std::optional{api::Refusal{Kind::invalid, "there is no site " + *site, "site", {}}};
}

api::Answer<api::Page<service::OutOfUse>> out_of_use_page(std::vector<service::OutOfUse> told,
                                                          std::string const& site,
                                                          std::optional<std::string> const& probe,
                                                          api::PageRequest const& page) {
    std::erase_if(told, [&](service::OutOfUse const& one) {
        return one.site != site || (probe && one.probe && one.probe != probe);
    });
    return page_by_key(told, page, number_key);
}

api::Answer<api::Page<service::ReasonTally>> findings_page(fleet::Fleet const& fleet, History const& past,
                                                           std::optional<std::string> const& site,
                                                           api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown_site(site, fleet)) {
        return *refusal;
    }
    std::map<std::string, fleet::SiteKind> kinds;
    for (auto const& of_fleet : fleet.sites) {
        kinds[of_fleet.id] = of_fleet.kind;
    }
    auto tallies = service::tally_findings(past.tickets, kinds);
    std::erase_if(tallies, [&](auto const& tally) { return site && tally.site != site; });
    return page_by_key(tallies, page, [](auto const& tally) { return key_of(tally); });
}

api::Answer<api::Page<document::Instrument>> instruments_page(History const& past,
                                                              std::vector<std::string> const& only,
                                                              api::PageRequest const& page) {
    std::vector<document::Instrument> seen;
    for (auto const& [serial, instrument] : past.instruments->all()) {
        auto shown = shown_of(instrument, past, only);
        if (only.empty() || is_seen(shown)) {
            close_stays(shown);
            seen.push_back(std::move(shown));
        }
    }
    return page_by_key(seen, page, [](auto const& instrument) { return instrument.serial; });
}

api::Answer<document::Instrument> instrument_of(fleet::Fleet const& fleet, History const& past,
                                                std::string const& serial,
                                                std::vector<std::string> const& only, Timestamp now,
                                                Responses const& responses) {
    auto const& all = past.instruments->all();
    auto const found = all.find(serial);
    auto out = found == all.end() ? document::Instrument{} : shown_of(found->second, past, only);
    if (out.stays.empty() || (!only.empty() && !is_seen(out))) {
        return api::Refusal{Kind::not_found, "there is no such instrument", {}, {}};
    }
    out.whole = true;
    for (auto& life : lives_of(fleet, past, now)) {
        if (life.serial == serial && among(only, site_of(past, life.probe))) {
            out.membranes.push_back(std::move(life));
        }
    }
    for (auto const& stay : out.stays) {
        if (stay.probe.empty()) {
            continue;
        }
        auto const of_stay = responses(stay);
        if (!of_stay) {
            return of_stay.error();
        }
        out.responses.insert(out.responses.end(), of_stay->begin(), of_stay->end());
    }
    close_stays(out);
    return out;
}

std::vector<document::ResponseDay> response_days(document::InstrumentStay const& stay,
                                                 std::vector<diagnosis::ResponseTest> const& tests) {
    std::map<Timestamp, std::vector<double>> by_day;
    for (auto const& test : tests) {
        if (test.used && (!stay.from || test.time >= *stay.from) &&
            (!stay.until || test.time < *stay.until)) {
            by_day[std::chrono::floor<std::chrono::days>(test.time)].push_back(test.t90_20_s);
        }
    }
    std::vector<document::ResponseDay> days;
    for (auto& [day, values] : by_day) {
        auto const count = static_cast<int>(values.size());
        days.push_back({day, stay.probe, estimate::median_inplace(values), count});
    }
    return days;
}

api::Answer<api::Page<service::MembraneLife>> membranes_page(fleet::Fleet const& fleet, History const& past,
                                                             std::string const& probe, Timestamp now,
                                                             api::PageRequest const& page) {
    auto lives = lives_of(fleet, past, now);
    std::erase_if(lives,
                  [&](service::MembraneLife const& life) { return !was_in(life, probe, *past.instruments); });
    std::sort(lives.begin(), lives.end(),
              [](auto const& a, auto const& b) { return life_key(a) < life_key(b); });
    return page_by_key(lives, page, life_key);
}

api::Answer<api::Page<service::LifeStatistics>> statistics_page(fleet::Fleet const& fleet,
                                                                History const& past,
                                                                std::optional<std::string> const& site,
                                                                Timestamp now, api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown_site(site, fleet)) {
        return *refusal;
    }
    auto statistics = service::life_statistics(lives_of(fleet, past, now));
    std::erase_if(statistics, [&](auto const& group) { return site && group.site != site; });
    return page_by_key(statistics, page, [](auto const& group) { return key_of(group); });
}

}  // namespace probekeeper::live
