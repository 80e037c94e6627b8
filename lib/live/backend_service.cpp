// The backend's answers about what is done to probes and instruments, and what that teaches.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>

#include "api/paging.h"
#include "estimate/robust.h"
#include "live/backend.h"
#include "live/lessons.h"
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
document::Instrument instrument_of(service::Instrument const& instrument, History const& history,
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

store::Result<std::vector<document::ResponseDay>> responses_of(store::Reader& reader,
                                                               document::InstrumentStay const& stay) {
    std::map<Timestamp, std::vector<double>> by_day;
    store::PageRequest page{1000, std::nullopt};
    auto const until = stay.until.value_or(Timestamp::max());
    bool more = true;
    while (more) {
        auto const tests = reader.response_tests(stay.probe, stay.from.value_or(from_unix_ms(0)), page);
        if (!tests) {
            return tests.error();
        }
        for (auto const& test : tests.value().items) {
            if (test.used && test.time < until) {
                by_day[std::chrono::floor<std::chrono::days>(test.time)].push_back(test.t90_20_s);
            }
        }
        page.after = tests.value().next;
        more = page.after && tests.value().items.back().time < until;
    }
    std::vector<document::ResponseDay> days;
    for (auto& [day, values] : by_day) {
        auto const count = static_cast<int>(values.size());
        days.push_back({day, stay.probe, estimate::median_inplace(values), count});
    }
    return days;
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

api::Answer<service::OutOfUse> Backend::set_out_of_use(service::OutOfUse const& told,
                                                       api::Keep<service::OutOfUse> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    return now.value().keeper->set_out_of_use(told, keep);
}

api::Answer<api::Page<service::OutOfUse>> Backend::out_of_use(std::string const& site,
                                                              std::optional<std::string> const& probe,
                                                              api::PageRequest const& page) {
    auto all = ask_store<std::vector<service::OutOfUse>>([](store::Reader& r) { return r.out_of_use(); });
    if (!all) {
        return all.error();
    }
    std::erase_if(all.value(), [&](service::OutOfUse const& told) {
        return told.site != site || (probe && told.probe && told.probe != probe);
    });
    return page_by_key(all.value(), page, number_key);
}

api::Answer<service::KeptRecord> Backend::void_record(std::string const& probe, std::int64_t number,
                                                      std::string const& by, std::string const& why,
                                                      api::Keep<service::KeptRecord> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    return now.value().keeper->void_record(probe, number, by, why, keep);
}

std::optional<api::Refusal> Backend::refuse_unknown_site(std::optional<std::string> const& site,
                                                         Board const& board) {
    return !site || board.fleet().find_site(*site)
               ? std::nullopt
               : std::optional{api::Refusal{Kind::invalid, "there is no site " + *site, "site", {}}};
}

// Read again only when a ticket or a record has changed since.
api::Answer<std::shared_ptr<History const>> Backend::history(Parts const& now) {
    auto const version = now.keeper->history_version();
    {
        std::lock_guard const lock{mutex_};
        if (history_.past && history_.keeper == now.keeper.get() && history_.version == version) {
            return history_.past;
        }
    }
    bool const all_there = writer_.flush().get().has_value();
    auto read = ask_store<History>([&](store::Reader& r) { return read_history(r, now.board->fleet()); });
    if (!read) {
        return read.error();
    }
    auto past = std::make_shared<History const>(std::move(read.value()));
    if (all_there) {
        std::lock_guard const lock{mutex_};
        history_ = {past, now.keeper.get(), version};
    }
    return past;
}

api::Answer<api::Page<service::ReasonTally>> Backend::findings(std::optional<std::string> const& site,
                                                               api::PageRequest const& page) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& board = *now.value().board;
    if (auto const refusal = refuse_unknown_site(site, board)) {
        return *refusal;
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    std::map<std::string, fleet::SiteKind> kinds;
    for (auto const& of_fleet : board.fleet().sites) {
        kinds[of_fleet.id] = of_fleet.kind;
    }
    auto tallies = service::tally_findings(past.tickets, kinds);
    std::erase_if(tallies, [&](auto const& tally) { return site && tally.site != site; });
    return page_by_key(tallies, page, [](auto const& tally) { return key_of(tally); });
}

api::Answer<api::Page<document::Instrument>> Backend::instruments(std::vector<std::string> const& only,
                                                                  api::PageRequest const& page) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    std::vector<document::Instrument> seen;
    for (auto const& [serial, instrument] : past.instruments->all()) {
        auto shown = instrument_of(instrument, past, only);
        if (only.empty() || is_seen(shown)) {
            close_stays(shown);
            seen.push_back(std::move(shown));
        }
    }
    return page_by_key(seen, page, [](auto const& instrument) { return instrument.serial; });
}

api::Answer<document::Instrument> Backend::instrument(std::string const& serial,
                                                      std::vector<std::string> const& only) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& fleet = now.value().board->fleet();
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    auto const& all = past.instruments->all();
    auto const found = all.find(serial);
    auto out = found == all.end() ? document::Instrument{} : instrument_of(found->second, past, only);
    if (out.stays.empty() || (!only.empty() && !is_seen(out))) {
        return api::Refusal{Kind::not_found, "there is no such instrument", {}, {}};
    }
    out.whole = true;
    for (auto& life : lives_of(fleet, past, clock_.now())) {
        if (life.serial == serial && among(only, site_of(past, life.probe))) {
            out.membranes.push_back(std::move(life));
        }
    }
    for (auto const& stay : out.stays) {
        if (stay.probe.empty()) {
            continue;
        }
        auto const days = ask_store<std::vector<document::ResponseDay>>(
            [&](store::Reader& r) { return responses_of(r, stay); });
        if (!days) {
            return days.error();
        }
        out.responses.insert(out.responses.end(), days.value().begin(), days.value().end());
    }
    close_stays(out);
    return out;
}

api::Answer<api::Page<service::MembraneLife>> Backend::membranes(std::string const& probe,
                                                                 api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    auto lives = lives_of(now.value().board->fleet(), past, clock_.now());
    std::erase_if(lives,
                  [&](service::MembraneLife const& life) { return !was_in(life, probe, *past.instruments); });
    std::sort(lives.begin(), lives.end(),
              [](auto const& a, auto const& b) { return life_key(a) < life_key(b); });
    return page_by_key(lives, page, life_key);
}

api::Answer<api::Page<service::LifeStatistics>> Backend::membrane_statistics(
    std::optional<std::string> const& site, api::PageRequest const& page) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    if (auto const refusal = refuse_unknown_site(site, *now.value().board)) {
        return *refusal;
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    auto const lives = lives_of(now.value().board->fleet(), past, clock_.now());
    auto statistics = service::life_statistics(lives);
    std::erase_if(statistics, [&](auto const& group) { return site && group.site != site; });
    return page_by_key(statistics, page, [](auto const& group) { return key_of(group); });
}

api::Answer<service::PartsDemand> Backend::parts_demand(std::optional<std::string> const& site, int weeks) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& board = *now.value().board;
    auto const& fleet = board.fleet();
    if (auto const refusal = refuse_unknown_site(site, board)) {
        return *refusal;
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    auto const& past = *known.value();
    std::vector<Candidate> candidates;
    for (fleet::ProbeIndex probe = 0; probe < fleet.probes.size(); ++probe) {
        auto const need = board.need(probe);
        bool const parked = need.state == diagnosis::ServiceState::out_of_use;  // wears nothing meanwhile
        if (!parked && (!site || fleet.sites[fleet.probes[probe].site].id == *site)) {
            candidates.push_back({probe, need.ticket, need.forecast});
        }
    }
    auto const lives = lives_of(fleet, past, clock_.now());
    return service::parts_demand(next_membranes(fleet, candidates, lives, *past.instruments), clock_.now(),
                                 weeks);
}

}  // namespace probekeeper::live
