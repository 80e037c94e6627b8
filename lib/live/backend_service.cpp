// The backend's answers about what is done to probes and instruments, and what that teaches.
#include <algorithm>
#include <iterator>

#include "live/backend.h"
#include "live/lesson_pages.h"

namespace probekeeper::live {
namespace {

// Used and other ones, from the beginning of the stay to its end or beyond.
store::Result<std::vector<diagnosis::ResponseTest>> tests_of(store::Reader& reader,
                                                             document::InstrumentStay const& stay) {
    std::vector<diagnosis::ResponseTest> all;
    store::PageRequest page{1000, std::nullopt};
    auto const until = stay.until.value_or(Timestamp::max());
    bool more = true;
    while (more) {
        auto tests = reader.response_tests(stay.probe, stay.from.value_or(from_unix_ms(0)), page);
        if (!tests) {
            return tests.error();
        }
        auto& items = tests.value().items;
        page.after = tests.value().next;
        more = page.after && items.back().time < until;
        std::move(items.begin(), items.end(), std::back_inserter(all));
    }
    return all;
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
    return all ? out_of_use_page(std::move(all.value()), site, probe, page) : all.error();
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

// Of what is configured now, and of the past.
template <typename T, typename Ask>
api::Answer<T> Backend::of_history(Ask const& ask) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const known = history(now.value());
    if (!known) {
        return known.error();
    }
    return ask(now.value().board->fleet(), *known.value());
}

api::Answer<api::Page<service::ReasonTally>> Backend::findings(std::optional<std::string> const& site,
                                                               api::PageRequest const& page) {
    return of_history<api::Page<service::ReasonTally>>(
        [&](auto const& fleet, auto const& past) { return findings_page(fleet, past, site, page); });
}

api::Answer<api::Page<document::Instrument>> Backend::instruments(std::vector<std::string> const& only,
                                                                  api::PageRequest const& page) {
    return of_history<api::Page<document::Instrument>>(
        [&](auto const&, auto const& past) { return instruments_page(past, only, page); });
}

api::Answer<document::Instrument> Backend::instrument(std::string const& serial,
                                                      std::vector<std::string> const& only) {
    auto const responses = [this](document::InstrumentStay const& stay) {
        auto const tests = ask_store<std::vector<diagnosis::ResponseTest>>(
            [&](store::Reader& r) { return tests_of(r, stay); });
        return tests ? api::Answer<std::vector<document::ResponseDay>>{response_days(stay, tests.value())}
                     : tests.error();
    };
    return of_history<document::Instrument>([&](auto const& fleet, auto const& past) {
        return instrument_of(fleet, past, serial, only, clock_.now(), responses);
    });
}

api::Answer<api::Page<service::MembraneLife>> Backend::membranes(std::string const& probe,
                                                                 api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    return of_history<api::Page<service::MembraneLife>>([&](auto const& fleet, auto const& past) {
        return membranes_page(fleet, past, probe, clock_.now(), page);
    });
}

api::Answer<api::Page<service::LifeStatistics>> Backend::membrane_statistics(
    std::optional<std::string> const& site, api::PageRequest const& page) {
    return of_history<api::Page<service::LifeStatistics>>([&](auto const& fleet, auto const& past) {
        return statistics_page(fleet, past, site, clock_.now(), page);
    });
}

api::Answer<service::PartsDemand> Backend::parts_demand(std::optional<std::string> const& site, int weeks) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& board = *now.value().board;
    auto const& fleet = board.fleet();
    if (auto const refusal = refuse_unknown_site(site, fleet)) {
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
