#include "scada/server.h"

#include <algorithm>
#include <array>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <future>
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
    Session(tcp::socket s, std::string address) : socket{std::move(s)}, from{std::move(address)} {}
    tcp::socket socket;
    std::string from;
    Clock::time_point until{};  // then it is closed
    std::vector<std::uint8_t> waiting;
};

}  // namespace

struct Server::Running {
    Running(Options o, Feed f, std::shared_ptr<spdlog::logger> l)
        : options{std::move(o)},
          feed{std::move(f)},
          log{std::move(l)},
          acceptor{sockets::listen_on(io, options.address == "localhost" ? "127.0.0.1" : options.address,
                                      options.port, "[scada] ")} {
        port = acceptor.local_endpoint().port();
        net::co_spawn(io, accept(), [this](std::exception_ptr const& failed) { log_end(failed, "accept"); });
        net::co_spawn(io, sweep(), [this](std::exception_ptr const& failed) { log_end(failed, "sweep"); });
        thread = std::thread{[this] { io.run(); }};
    }
    ~Running() {
        net::post(io, [this] { stop(); });
        thread.join();
        seeing.join();
    }

    net::awaitable<void> accept();
    net::awaitable<void> sweep();
    net::awaitable<void> serve(std::shared_ptr<Session> session);
    net::awaitable<std::vector<std::uint8_t>> write(std::vector<std::uint8_t> frame, WriteOne request);
    net::awaitable<void> wait_for_beat();
    bool are_many();
    void take(tcp::socket socket);
    void freshen();
    void close_overdue();
    void close_forbidden();
    void stop();
    void log_end(std::exception_ptr const& failed, std::string_view what) const;

    Options options;
    Feed feed;
    std::shared_ptr<spdlog::logger> log;
    net::io_context io{1};
    tcp::acceptor acceptor;
    net::steady_timer tick{io}, pause{io}, beat{io};
    net::thread_pool seeing{1};  // marking a ticket waits for the disk
    std::set<std::shared_ptr<Session>> sessions;
    std::set<std::string> turned_away;  // told once each
    Image image{EstateNow{}, 0};        // until something is known
    std::optional<Clock::time_point> made;
    Clock::time_point begun = Clock::now();
    Clock::time_point counted_from =
        begun;  // the requests of the tenth of a second that lasts, and of the one before
    std::size_t counted = 0, counted_before = 0;
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
    bool const allowed = may_connect(address, feed.allow_from);
    if (!allowed || sessions.size() >= options.connections) {
        constexpr std::size_t most_told = 256;
        if (turned_away.size() < most_told && turned_away.insert(address).second) {
            log->warn("event=scada_turned_away from={} why=\"{}\"", address,
                      allowed ? "all connections are taken" : "not in scada.allow_from");
        }
        return;
    }
    socket.set_option(tcp::no_delay{true}, error);
    auto const session = *sessions.insert(std::make_shared<Session>(std::move(socket), address)).first;
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
        freshen();
        std::vector<std::uint8_t> reply;
        std::span<std::uint8_t const> left{session->waiting};
        auto next = cut(left);
        for (; next.is == Cut::Is::whole; next = cut(left)) {
            auto const frame = left.first(next.bytes);
            auto const writing = feed.see ? write_one_in(frame) : std::nullopt;
            std::vector<std::uint8_t> one;
            if (writing) {
                std::vector<std::uint8_t> request(frame.begin(), frame.end());
                one = co_await write(std::move(request), *writing);
            } else {
                one = answer(frame, image);
            }
            reply.insert(reply.end(), one.begin(), one.end());
            left = left.subspan(next.bytes);
        }
        if (next.is == Cut::Is::broken) {
            co_return;
        }
        session->waiting.erase(session->waiting.begin(),
                               session->waiting.end() - static_cast<std::ptrdiff_t>(left.size()));
        if (reply.empty()) {
            continue;
        }
        session->until = Clock::now() + options.frame;
        auto const [failed, written] =
            co_await net::async_write(session->socket, net::buffer(reply), net::as_tuple(net::use_awaitable));
        if (failed) {
            co_return;
        }
        session->until = Clock::now() + (session->waiting.empty() ? options.idle : options.frame);
        if (are_many()) {
            co_await wait_for_beat();
        }
    }
}

// Counts a request.
bool Server::Running::are_many() {
    constexpr std::chrono::milliseconds span{100};
    auto const now = Clock::now();
    if (now - counted_from >= span) {
        counted_before = now - counted_from < 2 * span ? counted : 0;
        counted_from = now;
        counted = 0;
    }
    ++counted;
    return std::max(counted, counted_before) * 10 >= options.many;
}

// The next request has mostly come by then: it is read without asking the kernel whether it has, and without
// a wake-up of its own. All connections share the beat.
net::awaitable<void> Server::Running::wait_for_beat() {
    auto const now = Clock::now();
    if (beat.expiry() <= now) {
        beat.expires_at(now + options.beat);
    }
    co_await beat.async_wait(net::as_tuple(net::use_awaitable));
}

// Marks a ticket as seen, beside the thread that serves: the others do not wait for the disk.
net::awaitable<std::vector<std::uint8_t>> Server::Running::write(std::vector<std::uint8_t> frame,
                                                                 WriteOne request) {
    constexpr std::uint16_t no_ticket = 0, mark = 1;
    auto const number = image.seen_register_of(request.unit, request.address);
    if (image.registers(request.unit).empty()) {
        co_return answer_write(frame, Exception::gateway_path_unavailable);
    }
    if (!number) {
        co_return answer_write(frame, Exception::illegal_data_address);
    }
    if (request.value != mark || image.registers(request.unit)[request.address] == no_ticket) {
        co_return answer_write(frame, Exception::illegal_data_value);
    }
    auto job = [see = feed.see, number = *number]() -> net::awaitable<std::optional<Exception>> {
        co_return see(number);
    };
    auto const refused = co_await net::co_spawn(seeing, std::move(job), net::use_awaitable);
    made.reset();  // whoever wrote reads what it did
    freshen();
    co_return answer_write(frame, refused);
}

net::awaitable<void> Server::Running::sweep() {
    auto const every =
        std::clamp(options.frame / 10, std::chrono::milliseconds{10}, std::chrono::milliseconds{1000});
    while (!stopping) {
        tick.expires_after(every);
        co_await tick.async_wait(net::as_tuple(net::use_awaitable));
        if (!stopping) {
            close_overdue();
        }
    }
}

void Server::Running::freshen() {
    auto const now = Clock::now();
    if (made && now - *made < options.fresh) {
        return;
    }
    if (auto const estate = feed.source ? feed.source() : std::nullopt) {
        auto const alive = std::chrono::duration_cast<std::chrono::seconds>(now - begun);
        image = Image{*estate, static_cast<std::uint16_t>(alive.count())};
        made = now;
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

void Server::Running::close_forbidden() {
    for (auto const& session : sessions) {
        if (!may_connect(session->from, feed.allow_from)) {
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
    beat.cancel();
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

Server::Server(Options options, Feed feed, std::shared_ptr<spdlog::logger> log)
    : running_{std::make_unique<Running>(std::move(options), std::move(feed), std::move(log))} {}

Server::~Server() = default;

void Server::use(Feed feed) {
    std::promise<void> taken;
    net::post(running_->io, [&] {
        running_->feed = std::move(feed);
        running_->made.reset();
        running_->close_forbidden();
        // A call of the feed before may still wait on the other thread: it is let end.
        net::post(running_->seeing, [&] { taken.set_value(); });
    });
    taken.get_future().wait();
}

std::uint16_t Server::port() const {
    return running_->port;
}

}  // namespace probekeeper::scada
