#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <csignal>
#include <cstdlib>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"
#include "fleet/load.h"
#include "live/live.h"

namespace probekeeper::daemon {
namespace {

// A broken file keeps the configuration that works.
void reload(std::filesystem::path const& config, live::Live& live, Log const& log) {
    auto loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        log->error("event=reload_refused why=\"{}\"", fleet::to_line(problem));
    }
    if (loaded.fleet) {
        static_cast<void>(live.reload(std::move(*loaded.fleet)));
    }
}

class Signals {
public:
    Signals(std::filesystem::path const& config, live::Live& live, Log const& log)
        : config_{config}, live_{live}, log_{log}, signals_{io_, SIGTERM, SIGINT, SIGHUP} {}

    void wait_for_end() {
        wait();
        io_.run();
        // While we stop, a second signal insists.
        std::signal(SIGTERM, [](int) { std::_Exit(failed); });
        std::signal(SIGINT, [](int) { std::_Exit(failed); });
    }

private:
    void wait() {
        signals_.async_wait([this](boost::system::error_code error, int signal) {
            if (!error && signal == SIGHUP) {
                reload(config_, live_, log_);
                wait();
            } else {
                log_->info("event=stopping signal={}", signal);
                signals_.cancel();
                signals_.clear();
            }
        });
    }

    std::filesystem::path config_;
    live::Live& live_;
    Log log_;
    boost::asio::io_context io_{1};
    boost::asio::signal_set signals_;
};

}  // namespace

int run(std::filesystem::path const& config, Log const& log) {
    auto fleet = load_or_complain(config);
    if (!fleet) {
        return wrong;
    }
    // One that comes while we are still starting must not end us; what it asks for is read in a moment anyway.
    std::signal(SIGHUP, SIG_IGN);
    try {
        live::Live live{std::move(*fleet), PROBEKEEPER_VERSION, log};
        Signals{config, live, log}.wait_for_end();
        live.stop();
        return done;
    } catch (std::exception const& error) {
        log->critical("event=run_failed why=\"{}\"", error.what());
        return failed;
    }
}

}  // namespace probekeeper::daemon
