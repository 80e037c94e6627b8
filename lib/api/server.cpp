#include "api/server.h"

#include <spdlog/fmt/fmt.h>

#include <atomic>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <mutex>
#include <set>
#include <thread>

#include "api/session.h"
#include "sockets/descriptors.h"
#include "sockets/listen.h"

namespace probekeeper::api {
namespace {

using boost::system::error_code;
using net::ip::tcp;

// What the system takes of an answer before the client does. Left to itself it takes megabytes, which are out
// of the cache again when they are read: many large answers at a time came at two thirds of the rate, and the
// slowest at twice the time.
constexpr int unsent_bytes = 256 * 1024;

Timestamp system_now() {
    return std::chrono::floor<Millis>(std::chrono::system_clock::now());
}

}  // namespace

struct Server::Running {
    Running(Options options, Backend& backend, std::shared_ptr<spdlog::logger> log)
        : now{options.now ? options.now : system_now},
          shared{options.limits,
                 now,
                 {options.address, options.access, options.limits, now, backend, log},
                 net::thread_pool{options.limits.backend_threads},
                 log,
                 options.tls,
                 options.spool_folder},
          acceptor{sockets::listen_on(io, options.address, options.port)},
          port{acceptor.local_endpoint().port()} {
        if (options.serves_at_once) {
            serve();
        }
        listener = backend.events().listen([this] {
            if (!wake_posted.exchange(true)) {
                net::post(io, [this] { wake_sessions(); });
            }
        });
        thread = std::thread{[this] { io.run(); }};
    }

    void serve() {
        net::co_spawn(io, accept(), [this](std::exception_ptr const& failed) { log_end(failed, "accept"); });
    }
    net::awaitable<void> accept();
    void take(tcp::socket socket);
    void log_end(std::exception_ptr const& failed, std::string_view what);
    void wake_sessions();
    void begin_stop();
    void finish_stop();

    std::function<Timestamp()> now;
    Shared shared;
    net::io_context io{1};
    net::executor_work_guard<net::io_context::executor_type> work{io.get_executor()};
    tcp::acceptor acceptor;
    std::uint16_t port = 0;
    std::set<std::shared_ptr<Session>> sessions;
    net::steady_timer insist{io};
    net::steady_timer pause{io};
    std::atomic<bool> wake_posted{false};
    int listener = 0;
    bool stopping = false;
    std::once_flag stopped;
    std::thread thread;
};

net::awaitable<void> Server::Running::accept() {
    bool told = false;
    while (!stopping) {
        auto [error, socket] = co_await acceptor.async_accept(net::as_tuple(net::use_awaitable));
        if (stopping) {
            break;
        }
        if (!error) {
            told = false;
            take(std::move(socket));
            continue;
        }
        // Out of descriptors, most likely: they come back when connections end.
        if (!std::exchange(told, true)) {
            shared.log->warn("event=accept_failed error=\"{}\"", error.message());
        }
        pause.expires_after(std::chrono::milliseconds{100});
        co_await pause.async_wait(net::as_tuple(net::use_awaitable));
    }
}

void Server::Running::take(tcp::socket socket) {
    error_code ignored;
    auto const protocol = acceptor.local_endpoint(ignored).protocol();
    // Nothing waits on this socket yet, so its number may still change.
    int const low = socket.release(ignored);
    if (ignored) {
        return;
    }
    socket.assign(protocol, sockets::moved_up(low), ignored);
    socket.set_option(tcp::no_delay{true}, ignored);
    socket.set_option(tcp::socket::send_buffer_size{unsent_bytes}, ignored);
    if (sessions.size() >= shared.limits.connections) {
        Session::turn_away(std::move(socket), shared);
        return;
    }
    auto const session = *sessions.insert(std::make_shared<Session>(std::move(socket), shared)).first;
    shared.dispatcher.metrics().connections = static_cast<std::int64_t>(sessions.size());
    net::co_spawn(io, session->run(), [this, session](std::exception_ptr const& failed) {
        log_end(failed, "session");
        sessions.erase(session);
        shared.dispatcher.metrics().connections = static_cast<std::int64_t>(sessions.size());
        if (stopping && sessions.empty()) {
            finish_stop();
        }
    });
}

void Server::Running::log_end(std::exception_ptr const& failed, std::string_view what) {
    if (!failed) {
        return;
    }
    try {
        std::rethrow_exception(failed);
    } catch (std::exception const& e) {
        shared.log->error("event=api_failed part={} error=\"{}\"", what, e.what());
    }
}

void Server::Running::wake_sessions() {
    wake_posted = false;
    for (auto const& session : sessions) {
        session->wake();
    }
}

void Server::Running::begin_stop() {
    stopping = true;
    error_code ignored;
    acceptor.close(ignored);
    pause.cancel();
    for (auto const& session : sessions) {
        session->wind_down();
    }
    if (sessions.empty()) {
        finish_stop();
        return;
    }
    insist.expires_after(shared.limits.stop_within);
    insist.async_wait([this](error_code error) {
        if (!error) {
            shared.log->warn("event=api_stop_insists connections={}", sessions.size());
            for (auto const& session : sessions) {
                session->abort();
            }
        }
    });
}

void Server::Running::finish_stop() {
    insist.cancel();
    work.reset();
}

Server::Server(Options options, Backend& backend, std::shared_ptr<spdlog::logger> log)
    : running_{std::make_unique<Running>(std::move(options), backend, std::move(log))} {}

Server::~Server() {
    stop();
}

void Server::set_access(AccessRules rules) {
    running_->shared.dispatcher.set_access(std::move(rules));
}

void Server::set_tls(std::shared_ptr<Tls> tls) {
    net::post(running_->io, [this, tls = std::move(tls)] {
        if (running_->shared.tls && tls) {
            running_->shared.tls = tls;
        }
    });
}

void Server::serve() {
    running_->serve();
}

std::uint16_t Server::port() const {
    return running_->port;
}

void Server::stop() {
    std::call_once(running_->stopped, [this] {
        running_->shared.dispatcher.backend().events().unlisten(running_->listener);
        net::post(running_->io, [this] { running_->begin_stop(); });
        running_->thread.join();
        running_->shared.pool.join();
    });
}

}  // namespace probekeeper::api
