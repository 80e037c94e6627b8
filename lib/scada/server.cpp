#include "scada/server.h"

#include <algorithm>
#include <array>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <set>
#include <thread>

#include "fleet/listen.h"
#include "sockets/listen.h"

namespace probekeeper::scada {
namespace {

namespace net = boost::asio;
using boost::system::error_code;
using net::ip::tcp;
using Clock = std::chrono::steady_clock;

// An IPv4 client of a socket that listens on IPv6 is still an IPv4 client to whoever wrote allow_from.
std::string plain(net::ip::address const& address) {
    if (address.is_v6() && address.to_v6().is_v4_mapped()) {
        return net::ip::make_address_v4(net::ip::v4_mapped, address.to_v6()).to_string();
    }
    return address.to_string();
}

bool may_connect(std::string const& address, std::vector<std::string> const& networks) {
    if (fleet::is_loopback(address)) {
        return true;
    }
    return std::any_of(networks.begin(), networks.end(),
                       [&](std::string const& network) { return fleet::in_network(address, network); });
}

struct Session {
    explicit Session(tcp::socket s) : socket{std::move(s)} {}
    tcp::socket socket;
    Clock::time_point until{};  // then it is closed
    std::vector<std::uint8_t> waiting;
};

}  // namespace

struct Server::Running {
    Running(Options o, Source s, std::shared_ptr<spdlog::logger> l)
        : options{std::move(o)},
          source{std::move(s)},
          log{std::move(l)},
          acceptor{sockets::listen_on(io, options.address == "localhost" ? "127.0.0.1" : options.address,
                                      options.port, "[scada] ")} {
        port = acceptor.local_endpoint().port();
        refresh();
        net::co_spawn(io, accept(), [this](std::exception_ptr const& failed) { log_end(failed, "accept"); });
        net::co_spawn(io, keep_fresh(),
                      [this](std::exception_ptr const& failed) { log_end(failed, "refresh"); });
        thread = std::thread{[this] { io.run(); }};
    }
    ~Running() {
        net::post(io, [this] { stop(); });
        thread.join();
    }

    net::awaitable<void> accept();
    net::awaitable<void> keep_fresh();
    net::awaitable<void> serve(std::shared_ptr<Session> session);
    void take(tcp::socket socket);
    // The answers to all whole requests that have come; empty optional: the connection has to end.
    std::optional<std::vector<std::uint8_t>> answers(Session& session) const;
    void refresh();
    void close_overdue();
    void stop();
    void log_end(std::exception_ptr const& failed, std::string_view what) const;

    Options options;
    Source source;
    std::shared_ptr<spdlog::logger> log;
    net::io_context io{1};
    tcp::acceptor acceptor;
    net::steady_timer tick{io}, pause{io};
    std::set<std::shared_ptr<Session>> sessions;
    std::set<std::string> turned_away;  // told once each
    Image image;
    Clock::time_point begun = Clock::now();
    bool stopping = false;
    std::uint16_t port = 0;
    std::thread thread;
};

net::awaitable<void> Server::Running::accept() {
    while (!stopping) {
        auto [error, socket] = co_await acceptor.async_accept(net::as_tuple(net::use_awaitable));
        if (stopping) {
            co_return;
        }
        if (!error) {
            take(std::move(socket));
            continue;
        }
        // Out of descriptors, most likely: they come back when connections end.
        pause.expires_after(std::chrono::milliseconds{100});
        co_await pause.async_wait(net::as_tuple(net::use_awaitable));
    }
}

void Server::Running::take(tcp::socket socket) {
    error_code error;
    auto const from = socket.remote_endpoint(error);
    if (error) {
        return;
    }
    auto const address = plain(from.address());
    bool const allowed = may_connect(address, options.allow_from);
    if (!allowed || sessions.size() >= options.connections) {
        constexpr std::size_t most_told = 256;
        if (turned_away.size() < most_told && turned_away.insert(address).second) {
            log->warn("event=scada_turned_away from={} why=\"{}\"", address,
                      allowed ? "all connections are taken" : "not in scada.allow_from");
        }
        return;
    }
    socket.set_option(tcp::no_delay{true}, error);
    auto const session = *sessions.insert(std::make_shared<Session>(std::move(socket))).first;
    session->until = Clock::now() + options.idle;
    net::co_spawn(io, serve(session), [this, session](std::exception_ptr const& failed) {
        log_end(failed, "session");
        sessions.erase(session);
    });
}

net::awaitable<void> Server::Running::serve(std::shared_ptr<Session> session) {
    std::array<std::uint8_t, longest_frame> piece{};
    while (!stopping) {
        auto const [error, got] =
            co_await session->socket.async_read_some(net::buffer(piece), net::as_tuple(net::use_awaitable));
        if (error) {
            co_return;
        }
        if (session->waiting.empty()) {  // the first byte of a request: what follows does not extend its time
            session->until = Clock::now() + options.frame;
        }
        session->waiting.insert(session->waiting.end(), piece.begin(),
                                piece.begin() + static_cast<std::ptrdiff_t>(got));
        auto const reply = answers(*session);
        if (!reply) {
            co_return;
        }
        if (reply->empty()) {
            continue;
        }
        session->until = Clock::now() + options.frame;
        auto const [failed, written] = co_await net::async_write(session->socket, net::buffer(*reply),
                                                                 net::as_tuple(net::use_awaitable));
        if (failed) {
            co_return;
        }
        session->until = Clock::now() + (session->waiting.empty() ? options.idle : options.frame);
    }
}

std::optional<std::vector<std::uint8_t>> Server::Running::answers(Session& session) const {
    std::vector<std::uint8_t> out;
    std::span<std::uint8_t const> left{session.waiting};
    for (;;) {
        auto const next = cut(left);
        switch (next.is) {
            case Cut::Is::broken:
                return std::nullopt;
            case Cut::Is::incomplete:
                session.waiting.erase(session.waiting.begin(),
                                      session.waiting.end() - static_cast<std::ptrdiff_t>(left.size()));
                return out;
            case Cut::Is::whole:
                break;
        }
        auto const reply = answer(left.first(next.bytes), image);
        out.insert(out.end(), reply.begin(), reply.end());
        left = left.subspan(next.bytes);
    }
}

net::awaitable<void> Server::Running::keep_fresh() {
    while (!stopping) {
        tick.expires_after(options.refresh);
        co_await tick.async_wait(net::as_tuple(net::use_awaitable));
        if (!stopping) {
            refresh();
            close_overdue();
        }
    }
}

void Server::Running::refresh() {
    if (auto const estate = source()) {
        auto const alive = std::chrono::duration_cast<std::chrono::seconds>(Clock::now() - begun);
        image = Image{*estate, static_cast<std::uint16_t>(alive.count())};
    }
}

void Server::Running::close_overdue() {
    auto const now = Clock::now();
    for (auto const& session : sessions) {
        if (session->until < now) {
            error_code ignored;
            session->socket.close(ignored);
        }
    }
}

void Server::Running::stop() {
    stopping = true;
    error_code ignored;
    acceptor.close(ignored);
    tick.cancel();
    pause.cancel();
    for (auto const& session : sessions) {
        session->socket.close(ignored);
    }
}

void Server::Running::log_end(std::exception_ptr const& failed, std::string_view what) const {
    if (!failed) {
        return;
    }
    try {
        std::rethrow_exception(failed);
    } catch (std::exception const& e) {
        log->error("event=scada_failed part={} error=\"{}\"", what, e.what());
    }
}

Server::Server(Options options, Source source, std::shared_ptr<spdlog::logger> log)
    : running_{std::make_unique<Running>(std::move(options), std::move(source), std::move(log))} {}

Server::~Server() = default;

std::uint16_t Server::port() const {
    return running_->port;
}

}  // namespace probekeeper::scada
