#include "api/estate.h"

#include <spdlog/sinks/null_sink.h>

#include <algorithm>
#include <fstream>
#include <sstream>

#include "api/paging.h"
#include "document/diagnosis.h"
#include "document/write.h"

using namespace probekeeper;
using api::Refusal;

Timestamp const estate_time = parse_rfc3339("2026-03-01T06:00:00Z").value();

namespace {

document::Probe probe_named(std::string id, std::string site, diagnosis::Condition condition) {
    document::Probe p;
    p.id = std::move(id);
    p.site = std::move(site);
    p.line = p.site + "-a";
    p.unit = 1;
    p.condition = condition;
    return p;
}

service::Ticket open_ticket() {
    service::Ticket t;
    t.id = "saltmarsh-17";
    t.number = 17;
    t.site = "saltmarsh";
    t.probe = "tank-1";
    t.opened_at = t.updated_at = estate_time;
    diagnosis::Finding f;
    f.raised_at = estate_time;
    t.reasons = {{f, std::nullopt}};
    t.history = {{estate_time, service::State::open, "probekeeperd", ""}};
    return t;
}

Refusal unknown(std::string const& what) {
    return {Refusal::Kind::not_found, "there is no " + what, "", {}};
}

// A page of a list whose positions are places in it.
template <typename T>
api::Answer<api::Page<T>> page_by_place(std::vector<T> const& items, api::PageRequest const& request) {
    std::size_t begin = 0;
    if (request.after) {
        if (request.after->find_first_not_of("0123456789") != std::string::npos) {
            return Refusal{Refusal::Kind::invalid, "after is no position of this list", "after", {}};
        }
        begin = std::min<std::size_t>(std::stoul(*request.after), items.size());
    }
    auto const end = std::min(begin + request.limit, items.size());
    api::Page<T> page{{items.begin() + static_cast<std::ptrdiff_t>(begin),
                       items.begin() + static_cast<std::ptrdiff_t>(end)},
                      std::nullopt};
    if (end < items.size()) {
        page.next = std::to_string(end);
    }
    return page;
}

}  // namespace

Estate::Estate() : book_{"saltmarsh", 18, {open_ticket()}} {
    sites_.resize(2);
    sites_[0].facts.id = "northworks";
    sites_[0].facts.kind = fleet::SiteKind::wastewater;
    sites_[1].facts.id = "saltmarsh";
    probes_ = {probe_named("basin-1", "northworks", diagnosis::Condition::unknown),
               probe_named("tank-1", "saltmarsh", diagnosis::Condition::maintenance_required),
               probe_named("tank-2", "saltmarsh", diagnosis::Condition::good)};
    probes_[1].open_ticket = "saltmarsh-17";
    sites_[0].count(diagnosis::Condition::unknown);
    sites_[1].count(diagnosis::Condition::maintenance_required);
    sites_[1].count(diagnosis::Condition::good);
    for (int i = 0; i < 12; ++i) {
        Reading r;
        r.time = estate_time + Millis{5000 * i};
        r.do_mg_l = 7.0 + i;
        readings_.push_back(r);
    }
}

bool Estate::knows_probe(std::string const& id) const {
    return std::any_of(probes_.begin(), probes_.end(), [&](document::Probe const& p) { return p.id == id; });
}

Estate::Answer<document::Health> Estate::health() {
    document::Health h;
    h.version = "0.1.0";
    h.lines_up = 2;
    return h;
}

Estate::Answer<std::vector<api::Event>> Estate::stored_events(std::int64_t after, std::size_t most) {
    std::vector<api::Event> found;
    for (auto const& event : stored) {
        if (event.id > after && found.size() < most) {
            found.push_back(event);
        }
    }
    return found;
}

void Estate::note_change(api::Change const& change) {
    std::lock_guard const lock{mutex_};
    noted.insert(noted.begin(), change);
}

Estate::Answer<Estate::Page<api::Change>> Estate::changes(PageRequest const& page) {
    std::lock_guard const lock{mutex_};
    return page_by_place(noted, page);
}

void Estate::write_metrics(api::MetricsText& out) {
    out.family("readings_stored", api::MetricsText::Type::counter, "", "Readings");
    out.sample({{"line", "a \"quoted\" \\ name"}}, 12);
}

Estate::Answer<Estate::Page<document::Site>> Estate::sites(std::vector<std::string> const& only,
                                                           PageRequest const& page) {
    return api::page_by_id<document::Site>(
        sites_, page, [](document::Site const& s) { return s.facts.id; },
        [&](document::Site const& s) {
            return only.empty() || std::find(only.begin(), only.end(), s.facts.id) != only.end();
        },
        [](document::Site const& s) { return s; });
}

Estate::Answer<document::Site> Estate::site(std::string const& id) {
    for (auto const& s : sites_) {
        if (s.facts.id == id) {
            return s;
        }
    }
    return unknown("site " + id);
}

Estate::Answer<std::string> Estate::scada_points(api::ProbeFilter const& filter) {
    std::string csv = "tag\r\n";
    for (auto const& p : probes_) {
        if (filter.sites.empty() ||
            std::find(filter.sites.begin(), filter.sites.end(), p.site) != filter.sites.end()) {
            csv += p.id + ".condition\r\n";
        }
    }
    return csv;
}

Estate::Answer<Estate::Page<document::Probe>> Estate::probes(api::ProbeFilter const& filter,
                                                             PageRequest const& page) {
    auto const wanted = [&](document::Probe const& p) {
        bool const seen = filter.sites.empty() ||
                          std::find(filter.sites.begin(), filter.sites.end(), p.site) != filter.sites.end();
        return seen && (!filter.site || *filter.site == p.site) &&
               (!filter.condition || *filter.condition == p.condition);
    };
    return api::page_by_id<document::Probe>(
        probes_, page, [](document::Probe const& p) { return p.id; }, wanted,
        [](document::Probe const& p) { return p; });
}

Estate::Answer<document::Probe> Estate::probe(std::string const& id) {
    for (auto const& p : probes_) {
        if (p.id == id) {
            return p;
        }
    }
    return unknown("probe " + id);
}

Estate::Answer<std::string> Estate::diagnosis(std::string const& probe) {
    before_diagnosis();
    if (!knows_probe(probe)) {
        return unknown("probe " + probe);
    }
    return document::write(document::to_json(diagnosis::Diagnosis{}, probe));
}

Estate::Answer<Estate::Page<std::string>> Estate::diagnoses(std::string const& probe, api::TimeRange const&,
                                                            PageRequest const& page) {
    auto const one = diagnosis(probe);
    if (!one) {
        return one.error();
    }
    return page_by_place(std::vector<std::string>{one.value()}, page);
}

Estate::Answer<Estate::Page<Reading>> Estate::readings(std::string const& probe, api::TimeRange const& range,
                                                       PageRequest const& page) {
    if (!knows_probe(probe)) {
        return unknown("probe " + probe);
    }
    std::vector<Reading> within;
    std::copy_if(readings_.begin(), readings_.end(), std::back_inserter(within), [&](Reading const& r) {
        return (!range.from || *range.from <= r.time) && (!range.to || r.time < *range.to);
    });
    return page_by_place(within, page);
}

Estate::Answer<Estate::Page<document::Step>> Estate::steps(std::string const& probe,
                                                           api::TimeRange const& range, Millis step,
                                                           PageRequest const& page) {
    auto const found = readings(probe, range, {10'000, std::nullopt});
    if (!found) {
        return found.error();
    }
    std::vector<document::Step> steps;
    for (auto const& r : found->items) {
        auto const start = r.time - r.time.time_since_epoch() % step;
        if (steps.empty() || steps.back().start != start) {
            steps.push_back({start, 0, {r.do_mg_l, r.do_mg_l, r.do_mg_l}, {}, {}});
        }
        ++steps.back().count;
        steps.back().do_mg_l.max = r.do_mg_l;
    }
    return page_by_place(steps, page);
}

Estate::Answer<Estate::Page<diagnosis::ResponseTest>> Estate::response_tests(std::string const& probe,
                                                                             std::optional<Timestamp> from,
                                                                             PageRequest const& page) {
    if (!knows_probe(probe)) {
        return unknown("probe " + probe);
    }
    std::vector<diagnosis::ResponseTest> tests;
    for (int i = 0; i < 3; ++i) {
        diagnosis::ResponseTest test;
        test.time = estate_time + days(i);
        if (!from || test.time >= *from) {
            tests.push_back(test);
        }
    }
    return page_by_place(tests, page);
}

Estate::Answer<Estate::Page<service::KeptRecord>> Estate::service_records(std::string const& probe,
                                                                          PageRequest const& page) {
    if (!knows_probe(probe)) {
        return unknown("probe " + probe);
    }
    std::lock_guard const lock{mutex_};
    std::vector<service::KeptRecord> of_probe;
    std::copy_if(records_.begin(), records_.end(), std::back_inserter(of_probe),
                 [&](service::KeptRecord const& r) { return r.record.probe == probe; });
    return page_by_place(of_probe, page);
}

Estate::Answer<Estate::Page<service::Ticket>> Estate::tickets(api::TicketFilter const& filter,
                                                              PageRequest const& page) {
    std::lock_guard const lock{mutex_};
    std::vector<service::Ticket> found;
    for (auto const& [number, t] : book_.tickets()) {
        bool const reason_fits = !filter.reason || t.reasons.front().finding.reason == *filter.reason;
        if ((!filter.site || *filter.site == t.site) && (!filter.probe || *filter.probe == t.probe) &&
            (!filter.state || *filter.state == t.state) && reason_fits) {
            found.push_back(t);
        }
    }
    return page_by_place(found, page);
}

Estate::Answer<service::Ticket> Estate::ticket(std::string const& id) {
    std::lock_guard const lock{mutex_};
    auto const* found = book_.find(id);
    if (found == nullptr) {
        return unknown("ticket " + id);
    }
    return *found;
}

Estate::Answer<api::TakenRecord> Estate::add_record(service::Record const& record,
                                                    api::Keep<api::TakenRecord> const& keep) {
    if (disk_full) {
        return Refusal{Refusal::Kind::unavailable, "the disk of the store is full", "", {}};
    }
    if (!knows_probe(record.probe)) {
        return unknown("probe " + record.probe);
    }
    if (record.time > estate_time + days(366)) {
        return Refusal{Refusal::Kind::invalid, "time lies in the future", "time", {}};
    }
    std::lock_guard const lock{mutex_};
    records_.push_back({static_cast<std::int64_t>(records_.size()) + 1, record, std::nullopt, "", ""});
    api::TakenRecord taken{records_.back(), false, {"was the work done at tank-2?"}, {"calibrate it in air"}};
    if (auto answer = keep(taken)) {
        kept_[{answer->token, answer->path, answer->key}] = *answer;
    }
    return taken;
}

Estate::Answer<api::RecordSheet> Estate::add_records(std::string const& csv,
                                                     std::vector<std::string> const& only,
                                                     api::Keep<api::RecordSheet> const& keep) {
    api::RecordSheet sheet;
    std::istringstream lines{csv};
    std::string line;
    std::getline(lines, line);
    std::lock_guard const lock{mutex_};
    for (std::uint64_t number = 2; std::getline(lines, line); ++number) {
        if (line == "bad" || !only.empty()) {
            sheet.rows.push_back({number, std::nullopt, "column time: is empty"});
            continue;
        }
        service::Record record;
        record.probe = "tank-1";
        record.note = line;
        records_.push_back({static_cast<std::int64_t>(records_.size()) + 1, record, std::nullopt, "", ""});
        sheet.rows.push_back({number, api::TakenRecord{records_.back(), line == "again", {}, {}}, {}});
    }
    if (auto answer = keep(sheet)) {
        kept_[{answer->token, answer->path, answer->key}] = *answer;
    }
    return sheet;
}

Estate::Answer<api::SiteMonth> Estate::site_month(std::string const& site,
                                                  std::optional<std::chrono::year_month> month) {
    if (site != "saltmarsh") {
        return unknown("site " + site);
    }
    using namespace std::chrono_literals;
    auto const wanted = month.value_or(2026y / std::chrono::March);
    if (wanted > 2026y / std::chrono::November) {
        return Refusal{Refusal::Kind::invalid, "month has not begun there yet", "month", {}};
    }
    api::SiteMonth out;
    out.month = wanted;
    out.report.site = site;
    out.report.from = std::chrono::sys_days{wanted / std::chrono::day{1}};
    out.report.until = out.facts.until =
        std::chrono::sys_days{(wanted + std::chrono::months{1}) / std::chrono::day{1}};
    out.report.probes.emplace_back().id = "tank-1";
    out.report.probes.back().time.unknown = 1.0;
    out.facts.time_zone = "UTC";
    return out;
}

Estate::Answer<service::KeptRecord> Estate::void_record(std::string const& probe, std::int64_t number,
                                                        std::string const& by, std::string const& why,
                                                        api::Keep<service::KeptRecord> const& keep) {
    std::lock_guard const lock{mutex_};
    auto const known = std::find_if(records_.begin(), records_.end(), [&](auto const& record) {
        return record.number == number && record.record.probe == probe;
    });
    if (known == records_.end()) {
        return unknown("service record " + std::to_string(number));
    }
    if (known->voided_at) {
        return Refusal{Refusal::Kind::conflict, "it is voided already", "", {}};
    }
    known->voided_at = estate_time;
    known->void_by = by;
    known->void_why = why;
    if (auto answer = keep(*known)) {
        kept_[{answer->token, answer->path, answer->key}] = *answer;
    }
    return *known;
}

Estate::Answer<service::OutOfUse> Estate::set_out_of_use(service::OutOfUse const& told,
                                                         api::Keep<service::OutOfUse> const& keep) {
    std::lock_guard const lock{mutex_};
    auto known = std::find_if(parked_.begin(), parked_.end(), [&](auto const& t) {
        return t.number == told.number && t.site == told.site && t.probe == told.probe;
    });
    if (told.number != 0 && known == parked_.end()) {
        return unknown("number " + std::to_string(told.number));
    }
    if (told.number == 0) {
        parked_.push_back(told);
        known = parked_.end() - 1;
        known->number = static_cast<std::int64_t>(parked_.size());
        known->told_at = estate_time;
    } else {
        known->until = told.until;
        known->ended_by = told.ended_by;
    }
    if (auto answer = keep(*known)) {
        kept_[{answer->token, answer->path, answer->key}] = *answer;
    }
    return *known;
}

Estate::Answer<Estate::Page<service::OutOfUse>> Estate::out_of_use(std::string const& site,
                                                                   std::optional<std::string> const& probe,
                                                                   PageRequest const& page) {
    std::lock_guard const lock{mutex_};
    auto all = parked_;
    std::erase_if(all,
                  [&](auto const& t) { return t.site != site || (probe && t.probe && t.probe != probe); });
    return page_by_place(all, page);
}

Estate::Answer<Estate::Page<service::ReasonTally>> Estate::findings(std::optional<std::string> const& site,
                                                                    PageRequest const& page) {
    std::lock_guard const lock{mutex_};
    std::vector<service::Ticket> tickets;
    for (auto const& [number, ticket] : book_.tickets()) {
        tickets.push_back(ticket);
    }
    auto tallies = service::tally_findings(tickets, {{"saltmarsh", fleet::SiteKind::aquaculture}});
    std::erase_if(tallies, [&](auto const& tally) { return site && tally.site != site; });
    return page_by_place(tallies, page);
}

std::vector<service::MembraneLife> Estate::lives() {
    std::lock_guard const lock{mutex_};
    return service::membrane_lives(records_, service::Instruments{{}, records_}, {}, {}, estate_time);
}

Estate::Answer<Estate::Page<service::LifeStatistics>> Estate::membrane_statistics(
    std::optional<std::string> const&, PageRequest const& page) {
    return page_by_place(service::life_statistics(lives()), page);
}

Estate::Answer<service::PartsDemand> Estate::parts_demand(std::optional<std::string> const&, int weeks) {
    service::NextMembrane next;
    next.probe = "tank-1";
    next.membrane = "cap-25um";
    next.asked_for = true;
    next.due = estate_time + days(10.0);
    return service::parts_demand(std::vector{next}, estate_time, weeks);
}

Estate::Answer<Estate::Page<service::MembraneLife>> Estate::membranes(std::string const& probe,
                                                                      PageRequest const& page) {
    if (!knows_probe(probe)) {
        return unknown("probe " + probe);
    }
    auto all = lives();
    std::erase_if(all, [&](auto const& life) { return life.probe != probe; });
    return page_by_place(all, page);
}

// One instrument, in tank-1 of saltmarsh.
Estate::Answer<document::Instrument> Estate::instrument(std::string const& serial,
                                                        std::vector<std::string> const& only) {
    if (serial != "GX/0417 a" || (!only.empty() && only.front() != "saltmarsh")) {
        return unknown("instrument " + serial);
    }
    document::Instrument one{
        serial, {{"tank-1", "saltmarsh", std::nullopt, std::nullopt}}, true, lives(), {}};
    one.responses = {{estate_time, "tank-1", 41.5, 3}};
    return one;
}

Estate::Answer<Estate::Page<document::Instrument>> Estate::instruments(std::vector<std::string> const& only,
                                                                       PageRequest const& page) {
    std::vector<document::Instrument> all;
    if (auto one = instrument("GX/0417 a", only)) {
        one->whole = false;
        all.push_back(*one);
    }
    return page_by_place(all, page);
}

Estate::Answer<service::Ticket> Estate::stepped(service::StepResult result,
                                                api::Keep<service::Ticket> const& keep) {
    if (result) {
        if (auto answer = keep(*result)) {
            kept_[{answer->token, answer->path, answer->key}] = *answer;
        }
        return *result;
    }
    auto const& refused = result.error();
    if (refused.why == service::Refused::Why::unknown_ticket) {
        return Refusal{Refusal::Kind::not_found, refused.message, "", {}};
    }
    std::vector<std::string> fitting;
    for (auto const step : refused.fitting) {
        fitting.emplace_back(service::to_word(step));
    }
    return Refusal{Refusal::Kind::conflict, refused.message, "", fitting};
}

Estate::Answer<service::Ticket> Estate::step(std::string const&, api::TicketStep const& take,
                                             api::Keep<service::Ticket> const& keep) {
    std::lock_guard const lock{mutex_};
    return stepped(take(book_, estate_time + days(1)), keep);
}

Estate::Answer<api::Upload> Estate::add_readings(std::filesystem::path const& file,
                                                 std::vector<std::string> const&,
                                                 api::Keep<api::Upload> const& keep) {
    std::ifstream in{file};
    uploaded = file;
    api::Upload upload;
    std::string line;
    std::getline(in, line);
    while (std::getline(in, line)) {
        if (line.find(",tank-1,") != std::string::npos) {
            return api::Refusal{api::Refusal::Kind::conflict, "probe tank-1 is polled by the daemon", {}, {}};
        }
        ++upload.rows;
        if (std::count(line.begin(), line.end(), ',') == 3) {
            ++upload.accepted;
        } else {
            ++upload.bad;
            upload.bad_rows.push_back({upload.rows + 1, "has not four cells"});
        }
    }
    ++uploads;
    if (auto const answer = keep(upload)) {
        std::lock_guard const lock{mutex_};
        kept_[{answer->token, answer->path, answer->key}] = *answer;
    }
    return upload;
}

Estate::Answer<api::WeekRound> Estate::round(zone::Week week) {
    api::WeekRound made;
    made.made_at = estate_time;
    made.round.week = week;
    rounds::RoundJob job;
    job.probe = "tank-1";
    job.why_now = "a limit is passed";
    rounds::RoundStop const stop{"saltmarsh", "Saltmarsh <hatchery>",  "",   "",
                                 estate_time, estate_time + days(0.1), {job}};
    rounds::RoundDay day;
    day.date = {std::chrono::year{2026}, std::chrono::November, std::chrono::day{30}};
    day.stops = {stop};
    day.with = {"t2"};
    made.round.technicians = {{"t1", "First", "UTC", {day}, {}}, {"t2", "Second", "UTC", {}, {}}};
    return made;
}

Estate::Answer<api::WeekRound> Estate::publish_round(zone::Week week, std::string const& by,
                                                     api::Keep<api::WeekRound> const&) {
    auto made = round(week);
    made.value().round.published_at = estate_time;
    made.value().round.revision = by == "alice" ? 1 : 2;
    return made;
}

Estate::Answer<api::WeekRound> Estate::replan_round(zone::Week, std::string const&,
                                                    api::Keep<api::WeekRound> const&) {
    return Refusal{Refusal::Kind::unavailable, "the round is being planned, 40 % done", "", {}};
}

Estate::Answer<std::optional<api::KeptAnswer>> Estate::kept_answer(std::string const& token,
                                                                   std::string const& path,
                                                                   std::string const& key) {
    std::lock_guard const lock{mutex_};
    auto const found = kept_.find({token, path, key});
    return found == kept_.end() ? std::nullopt : std::optional{found->second};
}

namespace {

api::AccessRules open_to(std::vector<std::string> allow_origins) {
    api::AccessRules rules;
    rules.allow_origins = std::move(allow_origins);
    return rules;
}

}  // namespace

Served::Served(api::Limits limits, std::vector<std::string> allow_origins)
    : Served{limits, open_to(std::move(allow_origins))} {}

Served::Served(api::Limits limits, api::AccessRules rules, std::shared_ptr<api::Tls> tls)
    : Served{[&] {
          api::Options options;
          options.limits = limits;
          options.access = std::move(rules);
          options.tls = std::move(tls);
          return options;
      }()} {}

Served::Served(api::Options options) {
    options.now = [this] { return estate_time + Millis{ahead_ms.load()}; };
    auto log = std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::null_sink_mt>());
    server = std::make_unique<api::Server>(options, estate, std::move(log));
}
