#include "hub/hub.h"

#include <spdlog/fmt/fmt.h>

#include <chrono>
#include <stdexcept>
#include <thread>

#include "api/server.h"
#include "hub/backend.h"
#include "hub/bell.h"
#include "hub/rounds.h"
#include "hub/schema.h"
#include "live/http_options.h"

namespace probekeeper::hub {

namespace {

// Commands may wait for seconds, and lists must not wait for them.
constexpr std::size_t request_threads = 32;
constexpr std::size_t most_connections = 12;

Timestamp system_now() {
    return std::chrono::floor<Millis>(std::chrono::system_clock::now());
}

postgres::Options database_of(fleet::HubSettings const& settings, int interrupt) {
    postgres::Options options;
    options.conninfo = settings.postgresql;
    options.password_file = settings.password_file.value_or("");
    options.tls_off = settings.tls_off;
    options.program = "probekeeperd hub";
    options.connect_within = std::chrono::seconds{3};  // somebody waits for an answer
    options.interrupt = interrupt;
    return options;
}

bool same(fleet::HubSettings const& a, fleet::HubSettings const& b) {
    return a.postgresql == b.postgresql && a.password_file == b.password_file && a.tls_off == b.tls_off;
}

// A connection of its own for migrations, which may take longer than any question.
std::int64_t lay_out(postgres::Options options, spdlog::logger& log, std::function<bool()> const& go_on) {
    constexpr std::chrono::hours migration_at_most{1};
    constexpr std::chrono::seconds try_again{1};
    options.answer_within = migration_at_most;
    std::string told;
    while (true) {
        try {
            auto connection = postgres::Connection::open(options);
            migrate(connection);
            return last_event_now(connection);
        } catch (postgres::Error const& error) {
            bool const passes =
                error.fault() == postgres::Fault::lost || error.fault() == postgres::Fault::again;
            if (!passes) {
                throw;
            }
            if (told != error.what()) {
                told = error.what();
                log.error("event=database_silent why=\"{}\"", told);
            }
        }
        std::this_thread::sleep_for(try_again);
        if (!go_on()) {
            throw std::runtime_error{"ended before the hub's database could be reached"};
        }
    }
}

}  // namespace

struct Hub::Running {
    std::shared_ptr<spdlog::logger> log;
    fleet::HttpSettings http;
    fleet::HubSettings settings;
    Bell interrupt;
    std::unique_ptr<api::EventHub> events;
    OutcomeBell bell;
    std::unique_ptr<Pool> pool;
    std::unique_ptr<Estate> estate;
    Past past;
    std::unique_ptr<Commands> commands;
    std::unique_ptr<live::RoundDesk> rounds;
    std::unique_ptr<Backend> backend;
    std::unique_ptr<api::Server> server;
    std::unique_ptr<Follower> follower;
};

Hub::Hub(fleet::Fleet own, std::string version, std::shared_ptr<spdlog::logger> log,
         std::function<bool()> const& go_on)
    : running_{std::make_unique<Running>()} {
    auto& r = *running_;
    r.log = std::move(log);
    r.http = own.http;
    r.settings = own.hub.value();
    auto const database = database_of(r.settings, r.interrupt.descriptor());
    r.events = std::make_unique<api::EventHub>(lay_out(database, *r.log, go_on));
    r.pool = std::make_unique<Pool>(database, most_connections);
    r.estate = std::make_unique<Estate>(std::move(own), r.log);
    r.commands = std::make_unique<Commands>(*r.pool, r.bell, r.log, Commands::Options{});
    r.rounds = std::make_unique<live::RoundDesk>(
        std::make_unique<DatabaseRounds>(*r.pool, *r.estate, r.past, system_now, r.log), r.log);
    r.backend = std::make_unique<Backend>(
        version, Backend::Parts{*r.pool, *r.estate, r.past, *r.commands, *r.events, *r.rounds}, system_now,
        r.log);
    auto options = live::http_options(r.http);
    options.limits.backend_threads = request_threads;
    r.server = std::make_unique<api::Server>(options, *r.backend, r.log);
    // Last of what may fail: its thread ends by stop() alone.
    r.follower = std::make_unique<Follower>(database, *r.events, r.bell, r.log);
    r.log->info("event=started version={} http={}:{} tls={} tokens={}", version, r.http.address,
                r.server->port(), r.http.tls_key_file ? "yes" : "no", r.http.tokens_file ? "yes" : "no");
}

Hub::~Hub() {
    stop();
}

bool Hub::reload(fleet::Fleet own) {
    auto& r = *running_;
    auto const refuse = [&](char const* key, char const* why) {
        r.log->error("event=reload_refused key={} why=\"{}\"", key, why);
        return false;
    };
    if (!own.hub || !same(*own.hub, r.settings)) {
        return refuse("hub", "it cannot change while the hub runs");
    }
    if (own.http.address != r.http.address || own.http.port != r.http.port) {
        return refuse("http.listen", "it cannot change while the hub runs");
    }
    if (own.http.tls_key_file.has_value() != r.http.tls_key_file.has_value()) {
        return refuse("http.tls_key_file", "TLS cannot begin or end while the hub runs");
    }
    try {
        auto rules = live::rules_of(own.http);
        auto tls = live::tls_of(own.http);
        r.server->set_access(std::move(rules));
        r.server->set_tls(std::move(tls));
    } catch (std::exception const& error) {
        return refuse("http", error.what());
    }
    r.estate->use(std::move(own));
    r.log->info("event=reloaded");
    return true;
}

void Hub::stop() {
    auto& r = *running_;
    if (!r.follower) {
        return;
    }
    if (r.server) {
        r.server->stop();
    }
    r.interrupt.ring();
    r.follower.reset();
    r.server.reset();
    r.rounds.reset();
    r.log->info("event=stopped");
}

}  // namespace probekeeper::hub
