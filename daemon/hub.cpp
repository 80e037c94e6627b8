// A hub: the API of all sites out of one database.
#include <spdlog/fmt/fmt.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <csignal>
#include <cstdlib>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/service_manager.h"
#include "daemon/verbs.h"
#include "fleet/load.h"
#include "hub/hub.h"

namespace probekeeper::daemon {
namespace {

namespace fs = std::filesystem;

// What a hub cannot use is more likely a mistake than meant.
std::string misplaced(fleet::Fleet const& fleet) {
    if (!fleet.hub) {
        return "a hub needs [hub] with `postgresql`, the database of all sites";
    }
    if (!fleet.sites.empty() || !fleet.lines.empty() || !fleet.probes.empty()) {
        return "a hub has no [[site]], [[line]] or [[probe]] of its own: they are told by the sites' daemons";
    }
    if (fleet.scada) {
        return "a hub has no [scada]: a site's SCADA system polls the site's daemon";
    }
    return {};
}

// The hub's configuration, or nothing after what is wrong was printed.
std::optional<fleet::Fleet> load_hub(fs::path const& config) {
    auto fleet = load_or_complain(config);
    if (auto const why = fleet ? misplaced(*fleet) : std::string{}; !why.empty()) {
        fmt::print(stderr, "{}: {}\n", config.string(), why);
        return std::nullopt;
    }
    return fleet;
}

// A broken file keeps the configuration that works.
void reload(fs::path const& config, hub::Hub& running, ServiceManager& manager, Log const& log) {
    manager.reloading();
    auto loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        log->error("event=reload_refused why=\"{}\"", fleet::to_line(problem));
    }
    if (loaded.fleet) {
        if (auto const why = misplaced(*loaded.fleet); why.empty()) {
            static_cast<void>(running.reload(std::move(*loaded.fleet)));
        } else {
            log->error("event=reload_refused why=\"{}\"", why);
        }
    }
    manager.ready();
}

// Asked on the main thread: while the hub waits for its database, and then for good.
class Signals {
public:
    Signals() { wait(); }
    [[nodiscard]] bool go_on() {
        io_.poll();
        return !ended_;
    }
    void run(std::function<void()> const& hang_up) {
        hang_up_ = hang_up;
        if (std::exchange(hung_up_, false)) {
            hang_up_();
        }
        while (!ended_) {
            io_.run_one();
        }
        // While we stop, a second signal insists.
        static_cast<void>(std::signal(SIGTERM, [](int) { std::_Exit(failed); }));
        static_cast<void>(std::signal(SIGINT, [](int) { std::_Exit(failed); }));
    }

private:
    void wait() {
        signals_.async_wait([this](boost::system::error_code error, int signal) {
            if (error || signal != SIGHUP) {
                ended_ = true;
                signals_.cancel();
                signals_.clear();
                return;
            }
            if (hang_up_) {
                hang_up_();
            } else {
                hung_up_ = true;
            }
            wait();
        });
    }

    boost::asio::io_context io_{1};
    boost::asio::signal_set signals_{io_, SIGHUP, SIGTERM, SIGINT};
    std::function<void()> hang_up_;
    bool hung_up_ = false, ended_ = false;
};

}  // namespace

int hub(fs::path const& config, Log const& log) {
    Signals signals;  // before the file is read, so that no change of it is missed
    auto own = load_hub(config);
    if (!own) {
        return wrong;
    }
    try {
        ServiceManager manager;
        hub::Hub running{std::move(*own), PROBEKEEPER_VERSION, log, [&] { return signals.go_on(); }};
        manager.ready();
        signals.run([&] { reload(config, running, manager, log); });
        log->info("event=stopping");
        manager.stopping();
        running.stop();
        return done;
    } catch (std::exception const& error) {
        if (!signals.go_on()) {
            return done;
        }
        log->critical("event=run_failed why=\"{}\"", error.what());
        return failed;
    }
}

}  // namespace probekeeper::daemon
