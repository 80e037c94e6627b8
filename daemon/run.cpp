#include <malloc.h>
#include <sys/resource.h>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>

#include <csignal>
#include <cstdlib>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/service_manager.h"
#include "daemon/verbs.h"
#include "fleet/load.h"
#include "hub/feed.h"
#include "live/live.h"

namespace probekeeper::daemon {
namespace {

// A broken file keeps the configuration that works.
void reload(std::filesystem::path const& config, live::Live& live, ServiceManager& manager, Log const& log) {
    manager.reloading();
    auto loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        log->error("event=reload_refused why=\"{}\"", fleet::to_line(problem));
    }
    if (loaded.fleet) {
        static_cast<void>(live.reload(std::move(*loaded.fleet), std::move(loaded.notices)));
    }
    manager.ready();
}

// From its making on a SIGHUP ends nobody: one that comes while the daemon is still starting is kept, and
// answered when it has started.
class Signals {
public:
    // From any thread: to be done on the main thread, once the daemon has started and unless it ends.
    void between_signals(std::function<void(live::Live&)> work) {
        boost::asio::post(io_, [this, work = std::move(work)] {
            if (live_ != nullptr) {
                work(*live_);
            }
        });
    }
    // Until here one who asks for an end gets it at once, in a long conversion of the store too; from here on
    // it is kept, and the end is an orderly one.
    void hold() {
        boost::system::error_code known;  // a store begun again calls it again
        signals_.add(SIGTERM, known);
        signals_.add(SIGINT, known);
    }
    void wait_for_end(std::filesystem::path const& config, live::Live& live, ServiceManager& manager,
                      Log const& log) {
        live_ = &live;
        wait(config, live, manager, log);
        io_.run();
        live_ = nullptr;
        // While we stop, a second signal insists.
        static_cast<void>(std::signal(SIGTERM, [](int) { std::_Exit(failed); }));
        static_cast<void>(std::signal(SIGINT, [](int) { std::_Exit(failed); }));
    }

private:
    void wait(std::filesystem::path const& config, live::Live& live, ServiceManager& manager,
              Log const& log) {
        signals_.async_wait(
            [this, &config, &live, &manager, &log](boost::system::error_code error, int signal) {
                if (!error && signal == SIGHUP) {
                    reload(config, live, manager, log);
                    wait(config, live, manager, log);
                } else {
                    log->info("event=stopping signal={}", signal);
                    signals_.cancel();
                    signals_.clear();
                }
            });
    }

    live::Live* live_ = nullptr;
    boost::asio::io_context io_{1};
    boost::asio::signal_set signals_{io_, SIGHUP};
};

// A daemon that has once worked on much data would keep that memory for years: what is large goes back to the
// system when it is freed, and threads share what is small.
void give_memory_back() {
    constexpr int large = 1 << 20, pools = 4;
    // NOLINTBEGIN(concurrency-mt-unsafe): there is no other thread yet
    mallopt(M_MMAP_THRESHOLD, large);
    mallopt(M_ARENA_MAX, pools);
    // NOLINTEND(concurrency-mt-unsafe)
}

// A shell's soft limit is 1024 open files; the numbers below that are for serial lines, and TCP lines move
// above them.
void allow_many_descriptors() {
    rlimit files{};
    if (::getrlimit(RLIMIT_NOFILE, &files) == 0) {
        files.rlim_cur = files.rlim_max;
        ::setrlimit(RLIMIT_NOFILE, &files);  // a failure leaves what there was, and says so where it runs out
    }
}

}  // namespace

int run(std::filesystem::path const& config, Log const& log) {
    give_memory_back();
    allow_many_descriptors();
    Signals signals;  // before the file is read, so that no change of it is missed
    std::vector<fleet::NoticeSettings> notices;
    auto fleet = load_or_complain(config, &notices);
    if (!fleet) {
        return wrong;
    }
    try {
        ServiceManager manager;
        live::Live live{
            std::move(*fleet),
            std::move(notices),
            PROBEKEEPER_VERSION,
            log,
            {.serving = [&signals] { signals.hold(); },
             .diagnosed = [&manager] { manager.alive(); },
             .damaged =
                 [&signals](std::string const& why) {
                     signals.between_signals([why](live::Live& daemon) { daemon.begin_again(why); });
                 },
             .store_is_back =
                 [&signals] { signals.between_signals([](live::Live& daemon) { daemon.take_store(); }); },
             .companion = hub::make_feed()}};
        manager.ready();
        signals.wait_for_end(config, live, manager, log);
        manager.stopping();
        live.stop();
        return done;
    } catch (std::exception const& error) {
        log->critical("event=run_failed why=\"{}\"", error.what());
        return failed;
    }
}

}  // namespace probekeeper::daemon
