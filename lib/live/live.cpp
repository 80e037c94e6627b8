#include "live/live.h"

#include <spdlog/fmt/fmt.h>

#include <atomic>
#include <condition_variable>
#include <mutex>
#include <thread>
#include <vector>

#include "api/server.h"
#include "fieldbus/poller.h"
#include "intake/complete.h"
#include "live/arrivals.h"
#include "live/backend.h"
#include "live/board.h"
#include "live/http_options.h"
#include "live/keeper.h"
#include "live/notices.h"
#include "live/scada_feed.h"
#include "live/stamp_clock.h"
#include "live/store_rounds.h"
#include "live/tell.h"
#include "scada/server.h"
#include "store/reader_pool.h"
#include "store/stand_in.h"
#include "store/writer.h"

namespace probekeeper::live {
namespace {

constexpr std::size_t most_readers = 8;

store::Retention retention_of(fleet::StoreSettings const& settings) {
    return {days(settings.keep_raw_days), days(settings.keep_summary_days)};
}

store::Result<store::Store> try_to_open(std::filesystem::path const& path, std::string const& damage,
                                        spdlog::logger& log) {
    store::Store::Options options;
    // What a second writes, and the blocks that it grows, take a few MiB; more would only be kept, beside the
    // states of ten thousand probes.
    options.cache_kib = 8 * 1024;
    options.set_aside_damaged = true;
    options.damaged = damage;
    auto store = store::Store::open(path, options);
    if (store && store->set_aside()) {
        auto const& aside = *store->set_aside();
        log.error("event=store_set_aside file={} why=\"{}\" carried_over=\"{}\" left_behind=\"{}\"",
                  aside.where.string(), aside.why, fmt::join(aside.carried, ","), fmt::join(aside.left, ","));
    }
    return store;
}

// One that is missing and cannot be made is more likely written wrongly than failing.
void make_folder_of(std::filesystem::path const& store) {
    auto const folder = std::filesystem::absolute(store).parent_path();
    std::error_code failed;
    std::filesystem::create_directories(folder, failed);
    if (failed) {
        throw std::runtime_error{
            fmt::format("the store's folder '{}' cannot be made: {}", folder.string(), failed.message())};
    }
}

// Tries from time to time whether the store can be opened, and says so once.
class StoreSeeker {
public:
    StoreSeeker(std::filesystem::path store, std::function<void()> found)
        : thread_{[this, store = std::move(store), found = std::move(found)] { seek(store, found); }} {}
    ~StoreSeeker() {
        {
            std::scoped_lock const lock{mutex_};
            ended_ = true;
        }
        wake_.notify_all();
        thread_.join();
    }
    StoreSeeker(StoreSeeker const&) = delete;
    StoreSeeker& operator=(StoreSeeker const&) = delete;

private:
    void seek(std::filesystem::path const& store, std::function<void()> const& found) {
        constexpr std::chrono::seconds every{5};
        std::unique_lock lock{mutex_};
        while (!wake_.wait_for(lock, every, [this] { return ended_; })) {
            lock.unlock();
            auto const opened = store::Store::open(store);
            lock.lock();
            if (opened ||
                !store::may_pass(opened.error().fault)) {  // what does not pass is told by who opens it next
                found();
                return;
            }
        }
    }

    std::mutex mutex_;
    std::condition_variable wake_;
    bool ended_ = false;
    std::thread thread_;  // last: it starts when the rest is there
};

// What the store says of itself, told where it changes. Damage does not pass: the third time that it shows,
// it is told.
class StoreWatch {
public:
    StoreWatch(std::shared_ptr<spdlog::logger> log, std::function<void(std::string const&)> damaged)
        : log_{std::move(log)}, damaged_{std::move(damaged)} {}

    // On the writer's thread, after each group.
    void look(store::Writer::Group const& group) {
        auto const problem = group.failure ? group.failure->message : std::string{};
        if (problem != told_) {
            told_ = problem;
            if (group.failure) {
                log_->error("event=store_failing why=\"{}\"", problem);
            } else {
                log_->info("event=store_writes_again");
            }
        }
        if (group.failure && group.failure->fault == store::Fault::corrupt && ++damages_ == most_damages) {
            found_damaged(problem);
        }
    }
    // From any thread: somebody cannot go on.
    void found_damaged(std::string const& why) {
        if (damaged_ && !found_.exchange(true)) {
            damaged_(why);
        }
    }

private:
    static constexpr int most_damages = 3;
    std::shared_ptr<spdlog::logger> log_;
    std::function<void(std::string const&)> damaged_;
    std::string told_;  // of the writer's thread, likewise the next
    int damages_ = 0;
    std::atomic<bool> found_{false};
};

// From the wire to everybody who wants a reading: completed, stored, shown and handed on for diagnosis.
class Desk final : public fieldbus::Sink {
public:
    Desk(fleet::Fleet const& fleet, std::vector<store::ProbeKey> keys, store::Writer& writer, Board& board,
         Keeper& keeper, std::shared_ptr<spdlog::logger> log)
        : fleet_{fleet},
          keys_{std::move(keys)},
          writer_{writer},
          board_{board},
          keeper_{keeper},
          log_{std::move(log)} {
        for (fleet::ProbeIndex i = 0; i < fleet.probes.size(); ++i) {
            places_.push_back(intake::place_of(fleet, i));
        }
        silent_.resize(fleet.probes.size());
    }

    void reading(fleet::ProbeIndex probe, Reading const& raw) override {
        auto reading = raw;
        intake::complete(reading, places_[probe]);
        writer_.add({keys_[probe], reading});
        board_.show_reading(probe, reading);
        keeper_.reading(probe, reading);
        if (silent_[probe] != 0) {
            silent_[probe] = 0;
            log_->info("event=probe_answers probe={}", fleet_.probes[probe].id);
        }
    }
    void fault(fleet::ProbeIndex probe, Timestamp, fieldbus::Fault fault, int code) override {
        auto const seen = static_cast<char>(static_cast<int>(fault) + 1);
        if (silent_[probe] != seen) {  // the change is told, not each repetition
            silent_[probe] = seen;
            log_->warn("event=probe_fault probe={} fault={} why=\"{}\"", fleet_.probes[probe].id,
                       fieldbus::to_word(fault), fieldbus::describe(fault, code));
        }
    }
    void line_state(fleet::LineIndex line, bool up, fieldbus::LinkError error, Timestamp at) override {
        auto const why = up ? std::string{} : fieldbus::describe(error);
        board_.show_line(line, up, why);
        auto const& facts = fleet_.lines[line];
        auto event = board_.events().publish(at, "line", fleet_.sites[facts.site].id,
                                             line_event(facts.id, up, error.fault, at));
        store::Changes changes;
        changes.events.push_back({event.id, event.at, event.kind, event.site, event.data});
        writer_.later(std::move(changes));
        if (up) {
            log_->info("event=line_up line={}", fleet_.lines[line].id);
        } else {
            log_->warn("event=line_down line={} fault={} why=\"{}\"", fleet_.lines[line].id,
                       fieldbus::to_word(error.fault), why);
        }
    }

private:
    fleet::Fleet const& fleet_;
    std::vector<store::ProbeKey> keys_;
    store::Writer& writer_;
    Board& board_;
    Keeper& keeper_;
    std::shared_ptr<spdlog::logger> log_;
    // Each entry is touched by its line's thread alone.
    std::vector<intake::Place> places_;
    std::vector<char> silent_;  // the last fault told, plus one; 0: answers
};

}  // namespace

struct Live::Running {
    // Everything that hangs on one configuration.
    struct Generation {
        std::shared_ptr<fleet::Fleet const> fleet;
        std::vector<fleet::NoticeSettings> receivers;
        std::shared_ptr<Board> board;
        std::shared_ptr<Notices> notices;
        std::shared_ptr<Keeper> keeper;
        std::shared_ptr<Companion> companion;
        std::unique_ptr<Desk> desk;
        std::shared_ptr<Workers> workers = std::make_shared<Workers>();
    };

    std::string version;
    std::shared_ptr<spdlog::logger> log;
    Keeper::Options keeping;
    MakeCompanion make_companion;
    fleet::StoreSettings store_settings;
    std::filesystem::path store_file;  // that of the settings, or the one that stands in for it
    bool stands_in = false;
    fleet::HttpSettings http;
    StampClock clock;
    Arrivals arrivals;
    std::unique_ptr<api::EventHub> events;
    api::Latencies commits;
    Doorbell doorbell;
    std::unique_ptr<StoreWatch> watch;
    std::unique_ptr<store::Writer> writer;
    std::unique_ptr<store::ReaderPool> readers;
    std::unique_ptr<Backend> backend;
    std::unique_ptr<api::Server> server;
    std::optional<fleet::ScadaSettings> scada_settings;
    std::unique_ptr<scada::Server> scada;  // keeps its connections from one configuration to the next
    std::optional<Generation> generation;
    std::unique_ptr<StoreSeeker> seeker;

    void begin(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> receivers);
    void listen_scada(std::optional<fleet::ScadaSettings> const& settings);
    void end_generation();
    void note_for_hub(bool wanted);
};

// Before anything changes under this configuration.
void Live::Running::note_for_hub(bool wanted) {
    store::Changes changes;
    changes.feed.emplace();
    changes.feed->feeding = wanted;
    writer->later(std::move(changes));
}

void Live::Running::begin(fleet::Fleet fleet_now, std::vector<fleet::NoticeSettings> receivers) {
    Generation next;
    next.fleet = std::make_shared<fleet::Fleet const>(std::move(fleet_now));
    std::vector<store::FleetProbe> probes;
    for (fleet::ProbeIndex probe = 0; probe < next.fleet->probes.size(); ++probe) {
        auto const& configured = next.fleet->probes[probe];
        auto const place = intake::place_of(*next.fleet, probe);
        probes.push_back(
            {configured.id, next.fleet->sites[configured.site].id, {place.salinity_psu, place.pressure_hpa}});
    }
    auto const begun = clock.now();
    auto keys = must(writer->enrol(probes, begun).get());
    note_for_hub(next.fleet->hub.has_value());
    listen_scada(next.fleet->scada);  // first of all that may fail: the address can be taken
    // The probes' keys are the numbers of their blocks: the store gives each once, and never to another
    // probe.
    ScadaNumbers numbers;
    for (auto const key : keys) {
        numbers.probes.push_back(static_cast<std::int64_t>(key));
    }
    std::vector<std::string> sites;
    for (auto const& site : next.fleet->sites) {
        sites.push_back(site.id);
    }
    numbers.sites = must(writer->number_sites(std::move(sites)).get());
    next.board = std::make_shared<Board>(next.fleet, *events);
    next.keeper =
        std::make_shared<Keeper>(next.fleet, *next.board, *writer, must(store::Reader::open(store_file)),
                                 arrivals, clock, begun, log, keeping);
    // What a store tells that stands in for another is told again when that is back: once, by then.
    next.notices =
        std::make_shared<Notices>(next.fleet, stands_in ? std::vector<fleet::NoticeSettings>{} : receivers,
                                  *writer, store_file, clock, log);
    next.keeper->use(next.notices);
    next.desk = std::make_unique<Desk>(*next.fleet, keys, *writer, *next.board, *next.keeper, log);
    next.keeper->start();
    for (fleet::LineIndex line = 0; line < next.fleet->lines.size(); ++line) {
        next.workers->push_back(std::make_unique<fieldbus::LineWorker>(*next.fleet, line, *next.desk, clock));
        next.workers->back()->start();
    }
    backend->use({next.board, next.keeper, next.workers, std::move(keys),
                  std::make_shared<RoundDesk>(
                      std::make_unique<StoreRounds>(next.fleet, *readers, *writer, clock, log), log),
                  numbers.sites});
    if (scada) {
        scada->use(scada_feed(next.board, next.keeper, std::move(numbers), clock));
    }
    next.receivers = std::move(receivers);
    if (make_companion && !stands_in) {  // what a store that stands in for another knows, does not last
        next.companion = make_companion({version, next.fleet, *writer, store_file, *backend, clock, log});
        backend->accompany(next.companion);
    }
    doorbell.connect(next.notices, next.companion);
    generation.emplace(std::move(next));
}

void Live::Running::listen_scada(std::optional<fleet::ScadaSettings> const& settings) {
    bool const same = scada && settings && scada_settings->address == settings->address &&
                      scada_settings->port == settings->port;
    if (same) {
        scada_settings = settings;
        return;
    }
    scada.reset();  // first: the new address may be the old port
    scada_settings = settings;
    if (settings) {
        scada::Options options;
        options.address = settings->address;
        options.port = settings->port;
        scada::Feed nothing_yet;
        nothing_yet.allow_from = settings->allow_from;
        scada = std::make_unique<scada::Server>(std::move(options), std::move(nothing_yet), log);
        log->info("event=scada_serves modbus={}:{}", settings->address, scada->port());
    }
}

void Live::Running::end_generation() {
    if (!generation) {
        return;
    }
    if (scada) {  // its clients stay; the registers, and the heartbeat, stand until there is something to
                  // serve
        scada::Feed nothing;
        nothing.allow_from = scada_settings->allow_from;
        scada->use(std::move(nothing));
    }
    // First, for it gives commands to the others.
    doorbell.connect(generation->notices, nullptr);
    backend->accompany(nullptr);
    generation->companion.reset();
    for (auto const& worker : *generation->workers) {
        worker->interrupt();  // all at once, so that their timeouts run together
    }
    for (auto const& worker : *generation->workers) {
        worker->stop();
    }
    backend->use({});
    generation->keeper->stop();
    doorbell.connect(nullptr, nullptr);
    generation.reset();
}

Live::Live(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string version,
           std::shared_ptr<spdlog::logger> log, Calls calls)
    : version_{std::move(version)}, log_{std::move(log)}, calls_{std::move(calls)} {
    start(std::move(fleet), std::move(notices), {});
}

void Live::begin_again(std::string const& why) {
    start_again(why);
}

void Live::take_store() {
    start_again({});
}

void Live::start_again(std::string const& damage) {
    auto fleet = *running_->generation->fleet;
    auto notices = running_->generation->receivers;
    stop_all();
    start(std::move(fleet), std::move(notices), damage);
}

struct Live::Opened {
    store::Store store;
    std::optional<store::Failure> not_lasting;  // why another stands in for it
};

Live::Opened Live::open_store(fleet::StoreSettings const& settings, std::string const& damage) {
    make_folder_of(settings.path);
    std::optional<store::Failure> why;
    try {
        auto store = must(try_to_open(settings.path, damage, *log_));
        bring_home(store);
        return {std::move(store), std::nullopt};
    } catch (store::Failed const& failed) {
        if (!store::may_pass(failed.fault())) {
            throw;
        }
        why = store::Failure{failed.fault(), failed.what()};
    }
    if (!stand_in_) {
        stand_in_ = must(store::new_stand_in());
    }
    auto store = must(store::open_stand_in(*stand_in_, settings.path));
    log_->error("event=store_failing why=\"{}\"", why->message);
    log_->error("event=store_stood_in_for file={}", stand_in_->string());
    return {std::move(store), std::move(why)};
}

void Live::bring_home(store::Store& store) {
    if (stand_in_) {
        auto const now = std::chrono::floor<Millis>(std::chrono::system_clock::now());
        log_->info("event=store_writes_again readings={}", must(store::bring_home(*stand_in_, store, now)));
        store::remove_stand_in(*stand_in_);
        stand_in_.reset();
    }
}

void Live::start(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string const& damage) {
    running_ = std::make_unique<Running>();
    auto& r = *running_;
    r.version = version_;
    r.log = log_;
    r.store_settings = fleet.store;
    r.http = fleet.http;
    auto [store, not_lasting] = open_store(fleet.store, damage);
    r.stands_in = not_lasting.has_value();
    r.store_file = store.path();
    r.watch = std::make_unique<StoreWatch>(
        log_, r.stands_in ? std::function<void(std::string const&)>{} : calls_.damaged);
    r.make_companion = calls_.companion;
    r.keeping.turned = calls_.diagnosed;
    r.keeping.damaged = [&r](std::string const& why) { r.watch->found_damaged(why); };
    if (auto const newest = store.newest()) {
        r.clock.never_before(*newest);
    }
    store::Writer::Options options;
    options.on_group = [&r](store::Writer::Group const& group) {
        r.commits.add(group.took);
        r.doorbell.ring();
        r.watch->look(group);
        for (auto const& refused : group.refused) {
            r.log->error("event=store_refused why=\"{}\"", refused.message);
        }
    };
    options.not_lasting = not_lasting;
    r.writer = std::make_unique<store::Writer>(std::move(store), retention_of(fleet.store), options);
    r.readers = std::make_unique<store::ReaderPool>(r.store_file, most_readers);
    auto last_event = must(must(store::Reader::open(r.store_file)).last_event());
    // What was told in the last second before a crash is not in the store: its numbers must not come again.
    // Nor those of a store that stood in for it.
    last_event_ = std::max(last_event_, last_event) + 1000;
    r.events = std::make_unique<api::EventHub>(last_event_);
    r.backend = std::make_unique<Backend>(r.version, *r.writer, *r.readers, r.arrivals, r.clock,
                                          fleet.store.path, *r.events, r.commits, log_);
    auto http = http_options(fleet.http);
    http.spool_folder = fleet.store.path.parent_path();
    http.serves_at_once = false;  // the first answer is of a daemon that has begun, whatever is asked for
    r.server = std::make_unique<api::Server>(http, *r.backend, r.log);
    r.begin(std::move(fleet), std::move(notices));
    calls_.serving();
    r.server->serve();
    if (r.stands_in) {
        r.seeker = std::make_unique<StoreSeeker>(r.store_settings.path, calls_.store_is_back);
    }
    r.log->info("event=started version={} http={}:{} tls={} tokens={}", r.version, r.http.address,
                r.server->port(), r.http.tls_key_file ? "yes" : "no", r.http.tokens_file ? "yes" : "no");
}

Live::~Live() {
    stop();
}

bool Live::reload(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices) {
    auto& r = *running_;
    if (fleet.store.path != r.store_settings.path) {
        r.log->error("event=reload_refused key=store.path why=\"it cannot change while the daemon runs\"");
        return false;
    }
    if (fleet.http.address != r.http.address || fleet.http.port != r.http.port) {
        r.log->error("event=reload_refused key=http.listen why=\"it cannot change while the daemon runs\"");
        return false;
    }
    api::AccessRules rules;
    std::shared_ptr<api::Tls> tls;
    try {
        rules = rules_of(fleet.http);
        tls = tls_of(fleet.http);
    } catch (std::exception const& error) {
        r.log->error("event=reload_refused section=http why=\"{}\"", error.what());
        return false;
    }
    if ((tls != nullptr) != (r.http.tls_key_file.has_value())) {
        r.log->error(
            "event=reload_refused key=http.tls_key_file why=\"TLS cannot begin or end while the daemon "
            "runs\"");
        return false;
    }
    auto before = *r.generation->fleet;
    auto receivers_before = r.generation->receivers;
    r.end_generation();
    if (auto const flushed = r.writer->flush().get(); !flushed) {
        r.log->error("event=store_failing why=\"{}\"", flushed.error().message);
    }
    auto const retention = retention_of(fleet.store);
    try {
        r.begin(std::move(fleet), std::move(notices));
    } catch (std::exception const& error) {
        r.log->error("event=reload_refused why=\"{}\"", error.what());
        r.begin(std::move(before), std::move(receivers_before));
        return false;
    }
    r.writer->set_retention(retention);
    r.server->set_access(std::move(rules));
    r.server->set_tls(std::move(tls));
    r.log->info("event=reloaded");
    return true;
}

void Live::stop() {
    if (!running_->writer) {
        return;
    }
    stop_all();
    if (stand_in_) {
        try {
            auto store = must(try_to_open(running_->store_settings.path, {}, *log_));
            bring_home(store);
        } catch (store::Failed const& failed) {
            log_->error("event=readings_lost why=\"{}\"", failed.what());
            store::remove_stand_in(*stand_in_);
            stand_in_.reset();
        }
    }
    log_->info("event=stopped");
}

void Live::stop_all() {
    auto& r = *running_;
    r.seeker.reset();
    last_event_ = r.events ? r.events->last() : last_event_;
    if (r.server) {
        r.server->stop();
    }
    r.scada.reset();
    r.end_generation();
    if (auto const written = r.writer->stop(); !written) {
        r.log->error("event=store_not_closed why=\"{}\"", written.error().message);
    }
    r.server.reset();
    r.backend.reset();
    r.readers.reset();
    r.writer.reset();
}

}  // namespace probekeeper::live
