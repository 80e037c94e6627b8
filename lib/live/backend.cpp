#include "live/backend.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "api/query.h"
#include "live/lesson_pages.h"
#include "live/refusals.h"
#include "live/sheet.h"
#include "live/upload.h"
#include "scada/points.h"

namespace probekeeper::live {
namespace {

using Kind = api::Refusal::Kind;

api::Refusal not_found(std::string what, std::string const& id) {
    return {Kind::not_found, fmt::format("there is no {} {}", what, id), {}, {}};
}

store::PageRequest page_of(api::PageRequest const& page) {
    return {page.limit, page.after};
}

template <typename T>
api::Page<T> page_of(store::Page<T> page) {
    return {std::move(page.items), std::move(page.next)};
}

// That somebody was at work shows only after the readings have been stored: they are marked as they go out.
void mark_service_in(std::vector<Reading>& readings, std::vector<diagnosis::ServiceChange> const& changes) {
    auto next = changes.begin();
    bool handled = false;
    for (auto& reading : readings) {
        for (; next != changes.end() && next->at <= reading.time; ++next) {
            handled = diagnosis::is_handled(next->state);
        }
        reading.marks = static_cast<std::uint16_t>(handled ? reading.marks | mark_service : reading.marks);
    }
}

document::Spread spread_of(store::Spread const& s) {
    return {s.min, s.mean, s.max};
}

document::Step step_of(store::Step const& s) {
    return {s.start, s.count, spread_of(s.of(store::Quantity::do_mg_l)),
            spread_of(s.of(store::Quantity::do_percent)), spread_of(s.of(store::Quantity::temperature_c))};
}

}  // namespace

Backend::Backend(std::string version, store::Writer& writer, store::ReaderPool& readers, Arrivals& arrivals,
                 StampClock const& clock, std::filesystem::path store_file, api::EventHub& events,
                 api::Latencies const& commits, std::shared_ptr<spdlog::logger> log)
    : version_{std::move(version)},
      writer_{writer},
      readers_{readers},
      arrivals_{arrivals},
      clock_{clock},
      store_file_{std::move(store_file)},
      events_{events},
      commits_{commits},
      log_{std::move(log)} {}

api::Refusal Backend::refusal_of(store::Failure const& failure) {
    if (failure.fault == store::Fault::bad_position) {
        return bad_position();
    }
    if (failure.fault == store::Fault::corrupt && !found_damaged_.exchange(true)) {
        log_->error("event=store_damaged why=\"{}\"", failure.message);
    }
    return unreadable();
}

void Backend::use(Parts parts) {
    static std::atomic<std::uint64_t> generations{0};
    std::scoped_lock const lock{mutex_};
    parts_ = std::move(parts);
    generation_ = ++generations;
    history_ = {};
}

void Backend::accompany(std::shared_ptr<Companion> companion) {
    std::scoped_lock const lock{mutex_};
    companion_ = std::move(companion);
}

std::shared_ptr<Companion> Backend::companion() const {
    std::scoped_lock const lock{mutex_};
    return companion_;
}

api::Answer<Backend::Parts> Backend::parts() const {
    std::scoped_lock const lock{mutex_};
    if (!parts_.board) {
        return api::Refusal{Kind::unavailable, "the daemon is starting", {}, {}};
    }
    return parts_;
}

std::optional<api::DataVersion> Backend::version_of(api::Listed what) const {
    std::scoped_lock const lock{mutex_};
    switch (what) {
        case api::Listed::nothing:
            break;
        case api::Listed::probes:
            return parts_.board ? std::optional{api::DataVersion{generation_, parts_.board->changes()}}
                                : std::nullopt;
        case api::Listed::tickets:
            // All that changes the store while the daemon runs is a group of the writer's.
            return api::DataVersion{generation_, writer_.state().groups};
    }
    return std::nullopt;
}

std::optional<api::Refusal> Backend::refuse_unknown(std::string const& probe) {
    auto const now = parts();
    if (now && now.value().board->fleet().find_probe(probe)) {
        return std::nullopt;
    }
    auto const known = ask_store<std::vector<store::KnownProbe>>([](store::Reader& r) { return r.probes(); });
    if (!known) {
        return known.error();
    }
    bool const found = std::any_of(known.value().begin(), known.value().end(),
                                   [&](store::KnownProbe const& p) { return p.id == probe; });
    return found ? std::nullopt : std::optional{not_found("probe", probe)};
}

api::Answer<std::vector<api::Event>> Backend::stored_events(std::int64_t after, std::size_t most) {
    auto const found = ask_store<std::vector<store::KeptEvent>>(
        [&](store::Reader& r) { return r.events_after(after, most); });
    if (!found) {
        return found.error();
    }
    std::vector<api::Event> events;
    for (auto const& e : found.value()) {
        events.push_back({e.id, e.at, e.kind, e.site, e.data});
    }
    return events;
}

void Backend::note_change(api::Change const& change) {
    store::Changes changes;
    changes.people.push_back(
        {change.at, change.who, change.address, change.method, change.path, change.status});
    writer_.later(std::move(changes));
}

api::Answer<api::Page<api::Change>> Backend::changes(api::PageRequest const& page) {
    auto found =
        ask_store<store::Page<store::Change>>([&](store::Reader& r) { return r.changes(page_of(page)); });
    if (!found) {
        return found.error();
    }
    api::Page<api::Change> out;
    out.next = found.value().next;
    for (auto const& c : found.value().items) {
        out.items.push_back({c.at, c.who, c.address, c.method, c.path, c.status});
    }
    return out;
}

api::Answer<std::string> Backend::scada_points(api::ProbeFilter const& filter) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& fleet = now.value().board->fleet();
    if (auto const refusal = refuse_unknown_site(filter.site, now.value().board->fleet())) {
        return *refusal;
    }
    auto const wanted = [&](std::string const& site) {
        return (!filter.site || *filter.site == site) &&
               (filter.sites.empty() ||
                std::find(filter.sites.begin(), filter.sites.end(), site) != filter.sites.end());
    };
    std::vector<scada::Numbered> sites, probes;
    for (fleet::SiteIndex i = 0; i < fleet.sites.size(); ++i) {
        if (wanted(fleet.sites[i].id)) {
            sites.push_back({now.value().site_numbers[i], fleet.sites[i].id});
        }
    }
    for (fleet::ProbeIndex i = 0; i < fleet.probes.size(); ++i) {
        if (wanted(fleet.sites[fleet.probes[i].site].id)) {
            probes.push_back({static_cast<std::int64_t>(now.value().keys[i]), fleet.probes[i].id});
        }
    }
    return scada::points_csv(sites, probes, fleet.scada && fleet.scada->allow_seen);
}

api::Answer<document::Health> Backend::health() {
    document::Health health;
    health.version = version_;
    health.uptime_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - started_).count();
    auto const writing = writer_.state();
    health.store_ok = !writing.failing;
    health.store_problem = writing.failing ? "readings cannot be written just now; the log says why" : "";
    std::error_code ignored;
    auto const bytes = std::filesystem::file_size(store_file_, ignored);
    health.store_bytes = ignored ? 0 : bytes;
    if (found_damaged_) {
        health.warnings.emplace_back("part of the store is damaged and cannot be read; the log says where");
    }
    for (auto const& aside : store::set_aside_of(store_file_)) {
        health.warnings.push_back(
            fmt::format("a damaged store was set aside as {}, beside the store that took its place",
                        aside.filename().string()));
    }
    health.queues.push_back({"store", writing.readings_waiting,
                             store::Writer::Options{}.readings_waiting_most, writing.readings_dropped});
    health.clock_ahead_s = clock_.ahead_s();
    if (health.clock_ahead_s > 1.0) {
        health.warnings.push_back(fmt::format(
            "the system's clock is {:.0f} s behind the newest reading; time stamps go on without it",
            health.clock_ahead_s));
    }
    if (auto const now = parts()) {
        auto const& board = *now.value().board;
        auto const lines = board.lines();
        health.lines_up = lines.up;
        health.lines_down = lines.down;
        health.warnings.insert(health.warnings.end(), lines.troubles.begin(), lines.troubles.end());
        auto const queue = now.value().keeper->queue();
        health.queues.push_back({"diagnosis", queue.waiting, Keeper::Options{}.readings_waiting_most,
                                 queue.dropped + queue.late});
        for (fleet::ProbeIndex i = 0; i < board.fleet().probes.size(); ++i) {
            health.newest_reading = std::max(health.newest_reading, board.newest_reading(i));
        }
    } else {
        health.warnings.emplace_back("the daemon is starting");
    }
    bool const lost =
        std::any_of(health.queues.begin(), health.queues.end(), [](auto const& q) { return q.dropped > 0; });
    if (lost) {
        health.warnings.emplace_back("readings were dropped because a queue was full");
    }
    if (auto const companion = this->companion()) {
        companion->add_health(health);
    }
    health.status = !health.store_ok           ? document::Health::Status::failing
                    : !health.warnings.empty() ? document::Health::Status::degraded
                                               : document::Health::Status::ok;
    return health;
}

api::Answer<api::Page<document::Site>> Backend::sites(std::vector<std::string> const& only,
                                                      api::PageRequest const& request) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    if (request.after && !api::shaped_like_id(*request.after)) {
        return bad_position();
    }
    auto const& board = *now.value().board;
    api::Page<document::Site> page;
    auto const& sites = board.fleet().sites;
    for (fleet::SiteIndex i = 0; i < sites.size(); ++i) {
        bool const seen = only.empty() || std::find(only.begin(), only.end(), sites[i].id) != only.end();
        if (!seen || (request.after && sites[i].id <= *request.after)) {
            continue;
        }
        if (page.items.size() == request.limit) {
            page.next = page.items.back().facts.id;
            break;
        }
        page.items.push_back(board.site(i));
    }
    return page;
}

api::Answer<document::Site> Backend::site(std::string const& id) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const index = now.value().board->fleet().find_site(id);
    if (!index) {
        return not_found("site", id);
    }
    return now.value().board->site(*index);
}

api::Answer<api::Page<document::Probe>> Backend::probes(api::ProbeFilter const& filter,
                                                        api::PageRequest const& request) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& board = *now.value().board;
    if (auto const refusal = refuse_unknown_site(filter.site, board.fleet())) {
        return *refusal;
    }
    if (request.after && !api::shaped_like_id(*request.after)) {
        return bad_position();
    }
    api::Page<document::Probe> page;
    auto const& probes = board.fleet().probes;
    for (fleet::ProbeIndex i = 0; i < probes.size(); ++i) {
        if (request.after && probes[i].id <= *request.after) {
            continue;
        }
        auto probe = board.probe(i);
        bool const seen = filter.sites.empty() || std::find(filter.sites.begin(), filter.sites.end(),
                                                            probe.site) != filter.sites.end();
        bool const wanted = seen && (!filter.site || probe.site == *filter.site) &&
                            (!filter.condition || probe.condition == *filter.condition);
        if (!wanted) {
            continue;
        }
        if (page.items.size() == request.limit) {
            page.next = page.items.back().id;
            break;
        }
        page.items.push_back(std::move(probe));
    }
    return page;
}

api::Answer<document::Probe> Backend::probe(std::string const& id) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const index = now.value().board->fleet().find_probe(id);
    if (!index) {
        return not_found("probe", id);
    }
    return now.value().board->probe(*index);
}

api::Answer<std::string> Backend::diagnosis(std::string const& probe) {
    auto const now = parts();
    if (now) {
        auto const index = now.value().board->fleet().find_probe(probe);
        auto document = index ? now.value().board->diagnosis(*index) : std::string{};
        if (!document.empty()) {
            return document;
        }
    }
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto const newest = ask_store<std::optional<store::ProbeDiagnosis>>(
        [&](store::Reader& r) { return r.newest_diagnosis(probe); });
    if (!newest) {
        return newest.error();
    }
    if (!newest.value()) {
        return api::Refusal{Kind::unavailable, "this probe has not been diagnosed yet", {}, {}};
    }
    return newest.value()->document;
}

std::pair<Timestamp, Timestamp> Backend::range_of(std::string const& probe, api::TimeRange const& range) {
    auto newest = clock_.now();
    auto const stored =
        ask_store<std::optional<Reading>>([&](store::Reader& r) { return r.newest_reading(probe); });
    if (stored && stored.value()) {
        newest = stored.value()->time;
    }
    auto const to = range.to.value_or(newest + Millis{1});
    return {range.from.value_or(to - std::chrono::days{1}), to};
}

api::Answer<api::Page<std::string>> Backend::diagnoses(std::string const& probe, api::TimeRange const& range,
                                                       api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto const [from, to] = range_of(probe, range);
    auto found = ask_store<store::Page<store::ProbeDiagnosis>>(
        [&, from = from, to = to](store::Reader& r) { return r.diagnoses(probe, from, to, page_of(page)); });
    if (!found) {
        return found.error();
    }
    api::Page<std::string> documents;
    documents.next = found.value().next;
    for (auto& d : found.value().items) {
        documents.items.push_back(std::move(d.document));
    }
    return documents;
}

api::Answer<api::Page<Reading>> Backend::readings(std::string const& probe, api::TimeRange const& range,
                                                  api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto const [from, to] = range_of(probe, range);
    auto found = ask_store<store::Page<Reading>>(
        [&, from = from, to = to](store::Reader& r) { return r.readings(probe, from, to, page_of(page)); });
    if (!found) {
        return found.error();
    }
    auto& readings = found.value().items;
    if (!readings.empty()) {
        auto const changes = ask_store<std::vector<diagnosis::ServiceChange>>([&](store::Reader& r) {
            return r.service_changes(probe, readings.front().time, readings.back().time + Millis{1});
        });
        if (!changes) {
            return changes.error();
        }
        mark_service_in(readings, changes.value());
    }
    return page_of(std::move(found.value()));
}

api::Answer<api::Page<document::Step>> Backend::steps(std::string const& probe, api::TimeRange const& range,
                                                      Millis step, api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto const [from, to] = range_of(probe, range);
    auto const found = ask_store<store::Page<store::Step>>([&, from = from, to = to](store::Reader& r) {
        return r.steps(probe, from, to, step, page_of(page));
    });
    if (!found) {
        return found.error();
    }
    api::Page<document::Step> steps;
    steps.next = found.value().next;
    std::transform(found.value().items.begin(), found.value().items.end(), std::back_inserter(steps.items),
                   step_of);
    return steps;
}

api::Answer<api::Page<diagnosis::ResponseTest>> Backend::response_tests(std::string const& probe,
                                                                        std::optional<Timestamp> from,
                                                                        api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto found = ask_store<store::Page<diagnosis::ResponseTest>>([&](store::Reader& r) {
        return r.response_tests(probe, from.value_or(from_unix_ms(0)), page_of(page));
    });
    if (!found) {
        return found.error();
    }
    return page_of(std::move(found.value()));
}

api::Answer<api::Page<service::KeptRecord>> Backend::service_records(std::string const& probe,
                                                                     api::PageRequest const& page) {
    if (auto const refusal = refuse_unknown(probe)) {
        return *refusal;
    }
    auto found = ask_store<store::Page<service::KeptRecord>>(
        [&](store::Reader& r) { return r.service_records(probe, page_of(page)); });
    if (!found) {
        return found.error();
    }
    return page_of(std::move(found.value()));
}

api::Answer<api::Page<service::Ticket>> Backend::tickets(api::TicketFilter const& filter,
                                                         api::PageRequest const& page) {
    store::TicketFilter wanted;
    wanted.site = filter.site;
    wanted.probe = filter.probe;
    wanted.state = filter.state;
    wanted.reason = filter.reason;
    auto found = ask_store<store::Page<service::Ticket>>(
        [&](store::Reader& r) { return r.tickets(wanted, page_of(page)); });
    if (!found) {
        return found.error();
    }
    return page_of(std::move(found.value()));
}

api::Answer<service::Ticket> Backend::ticket(std::string const& id) {
    auto found = ask_store<std::optional<service::Ticket>>([&](store::Reader& r) { return r.ticket(id); });
    if (!found) {
        return found.error();
    }
    if (!found.value()) {
        return not_found("ticket", id);
    }
    return std::move(*found.value());
}

api::Answer<api::TakenRecord> Backend::add_record(service::Record const& record,
                                                  api::Keep<api::TakenRecord> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const keep_first = [&](std::vector<api::TakenRecord> const& taken) {
        return keep ? keep(taken.front()) : std::nullopt;
    };
    auto taken = now.value().keeper->add_records({record}, /*repeats_are_known=*/false, keep_first);
    if (!taken) {
        return taken.error();
    }
    return std::move(taken.value().front());
}

api::Answer<api::RecordSheet> Backend::add_records(std::string const& csv,
                                                   std::vector<std::string> const& only,
                                                   api::Keep<api::RecordSheet> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    return take_sheet(csv, only, clock_.now(), now.value().board->fleet(), *now.value().keeper, keep);
}

api::Answer<service::Ticket> Backend::step(std::string const& ticket, api::TicketStep const& take,
                                           api::Keep<service::Ticket> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    return now.value().keeper->step(ticket, take, keep);
}

api::Answer<api::WeekRound> Backend::round(zone::Week week) {
    auto const now = parts();
    return now ? now.value().rounds->round(week) : now.error();
}

api::Answer<api::WeekRound> Backend::publish_round(zone::Week week, std::string const& by,
                                                   api::Keep<api::WeekRound> const& keep) {
    auto const now = parts();
    return now ? now.value().rounds->publish(week, by, keep) : now.error();
}

api::Answer<api::WeekRound> Backend::replan_round(zone::Week week, std::string const& by,
                                                  api::Keep<api::WeekRound> const& keep) {
    auto const now = parts();
    return now ? now.value().rounds->replan(week, by, keep) : now.error();
}

api::Answer<api::Upload> Backend::add_readings(std::filesystem::path const& file,
                                               std::vector<std::string> const& only,
                                               api::Keep<api::Upload> const& keep) {
    auto const now = parts();
    if (!now) {
        return now.error();
    }
    auto const& p = now.value();
    return take_upload(file, only, keep, clock_.now(), p.keys, writer_, *p.board, arrivals_);
}

api::Answer<std::optional<api::KeptAnswer>> Backend::kept_answer(std::string const& token,
                                                                 std::string const& path,
                                                                 std::string const& key) {
    auto const found = ask_store<std::optional<store::KeptAnswer>>(
        [&](store::Reader& r) { return r.answer(token, path, key); });
    if (!found) {
        return found.error();
    }
    auto const& kept = found.value();
    if (!kept || clock_.now() - kept->at > std::chrono::days{7}) {
        return std::optional<api::KeptAnswer>{};
    }
    return std::optional{
        api::KeptAnswer{kept->token, kept->path, kept->key, kept->body_hash, kept->status, kept->answer}};
}

}  // namespace probekeeper::live
