// The estate in real time behind two Modbus TCP gateways and one RTU line. It lives the history again, which
// takes seconds, and goes on from there: what the probes show continues what make_history wrote.
#include <spdlog/fmt/fmt.h>

#include <CLI/CLI.hpp>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <stdexcept>
#include <string>

#include "devices/gateway.h"
#include "devices/serial_line.h"
#include "estate/estate.h"
#include "estate/history.h"

namespace {

using namespace probekeeper;
namespace net = boost::asio;

Timestamp wall_clock() {
    return std::chrono::floor<Millis>(std::chrono::system_clock::now());
}

devices::Units units_on(estate::Line line, estate::Estate const& estate) {
    return [line, &estate](int unit) -> std::optional<devices::RegisterImage> {
        auto const& probes = estate.probes();
        for (std::size_t i = 0; i < probes.size(); ++i) {
            if (probes[i].line == line && probes[i].unit == unit) {
                return devices::image_of(probes[i].registers, estate.shown(i));
            }
        }
        return std::nullopt;
    };
}

// Keeps the estate at the wall clock. A clock that steps back halts it until the clock has caught up.
net::awaitable<void> live(estate::Estate& estate) {
    constexpr std::chrono::seconds step{1};
    net::steady_timer next{co_await net::this_coro::executor};
    while (true) {
        while (estate.now() + step <= wall_clock()) {
            estate.step(step);
        }
        next.expires_after(std::chrono::milliseconds{250});
        auto const [stopped] = co_await next.async_wait(net::as_tuple(net::use_awaitable));
        if (stopped) {
            co_return;
        }
    }
}

struct Wanted {
    std::string until, serial;
    double days = 60.0;
    std::uint16_t quernbeck_port = 0, ormsheld_port = 0;
};

void serve(Wanted const& wanted) {
    net::io_context io{1};
    net::signal_set stop{io, SIGINT, SIGTERM};
    stop.async_wait([&io](boost::system::error_code, int) { io.stop(); });

    // Ports and line first: where one is taken, it is said before the history and not after.
    auto quernbeck = devices::listen_on_loopback(io, wanted.quernbeck_port);
    auto ormsheld = devices::listen_on_loopback(io, wanted.ormsheld_port);
    auto serial = devices::open_serial(io, wanted.serial);
    auto const quernbeck_port = quernbeck.local_endpoint().port();
    auto const ormsheld_port = ormsheld.local_endpoint().port();

    estate::Estate estate{estate::history_span(wanted.until, wanted.days).from};
    estate.live_through(wall_clock());

    using estate::Line;
    net::co_spawn(io, live(estate), net::detached);
    net::co_spawn(io, devices::serve_gateway(std::move(quernbeck), units_on(Line::quernbeck_gateway, estate)),
                  net::detached);
    net::co_spawn(io, devices::serve_gateway(std::move(ormsheld), units_on(Line::ormsheld_gateway, estate)),
                  net::detached);
    net::co_spawn(io, devices::serve_serial(std::move(serial), units_on(Line::quernbeck_serial, estate)),
                  net::detached);
    fmt::print("ready quernbeck={} ormsheld={} serial={}\n", quernbeck_port, ormsheld_port, wanted.serial);
    std::fflush(stdout);
    io.run();
}

}  // namespace

int main(int argc, char** argv) {
    Wanted wanted;
    CLI::App app{"The simulated devices of the demonstration; says 'ready' with its ports once it answers"};
    app.add_option("--until", wanted.until, "end of the history to continue, RFC 3339")->required();
    app.add_option("--days", wanted.days, "length of that history")->capture_default_str();
    app.add_option("--quernbeck-port", wanted.quernbeck_port, "0: a free one")->capture_default_str();
    app.add_option("--ormsheld-port", wanted.ormsheld_port, "0: a free one")->capture_default_str();
    app.add_option("--serial", wanted.serial, "the devices' end of the serial line")->required();
    CLI11_PARSE(app, argc, argv);
    try {
        serve(wanted);
    } catch (std::invalid_argument const& e) {
        fmt::print(stderr, "simulated_devices: {}\n", e.what());
        return 2;
    } catch (std::exception const& e) {
        fmt::print(stderr, "simulated_devices: {}\n", e.what());
        return 1;
    }
    return 0;
}
