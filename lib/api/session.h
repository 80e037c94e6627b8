// One connection: reads requests one after the other, has them answered, and ends in good manners.
//
// Everything in here runs on the server's one serving thread, except the handlers that dispatch to the pool.
#pragma once

#include <array>
#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http/buffer_body.hpp>
#include <boost/beast/http/empty_body.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/string_body.hpp>
#include <chrono>
#include <memory>
#include <optional>

#include "api/dispatch.h"
#include "api/etag.h"
#include "api/server.h"
#include "api/spool.h"
#include "api/stream.h"

namespace probekeeper::api {

// What all sessions of a server share; outlives them.
struct Shared {
    Limits limits;
    std::function<Timestamp()> now;
    Dispatcher dispatcher;
    net::thread_pool pool;
    std::shared_ptr<spdlog::logger> log;
    std::shared_ptr<Tls> tls;  // of new connections
    std::filesystem::path spool_folder;
};

class Session : public std::enable_shared_from_this<Session> {
public:
    Session(net::ip::tcp::socket socket, Shared& shared);

    // Serves until either side is done. Whoever spawns it keeps the session alive until then.
    net::awaitable<void> run();
    // The server stops: an idle connection ends now, any other after the request under way.
    void wind_down();
    // There is an event: whoever listens looks.
    void wake();
    // Ends now, whatever is under way.
    void abort();
    // For a connection too many: says 503 if that can be said without waiting, and ends.
    static void turn_away(net::ip::tcp::socket socket, Shared& shared);

private:
    using Clock = std::chrono::steady_clock;
    using Header = boost::beast::http::request_parser<boost::beast::http::empty_body>;
    using Parser = boost::beast::http::request_parser<boost::beast::http::string_body>;

    net::awaitable<bool> await_request();  // false: there will be none
    net::awaitable<bool> serve();          // false: the connection is to end
    net::awaitable<bool> shake_hands();    // of TLS
    net::awaitable<bool> leave_to_send(boost::beast::http::request_header<> const& header);
    net::awaitable<bool> read_body(Parser& parser);
    net::awaitable<bool> take_upload(Header& header, Admitted const& request, Head head);
    net::awaitable<bool> spool_body(
        boost::beast::http::request_parser<boost::beast::http::buffer_body>& parser, Spool& spool,
        ContentHash& hash);
    net::awaitable<bool> refuse_upload(std::error_code why);
    net::awaitable<bool> serve_events(Admitted const& request, Head head);
    net::awaitable<std::vector<Event>> next_events(std::int64_t after);
    net::awaitable<bool> write_text(std::string const& text);
    // References into serve()'s frame, which outlives the call; likewise parser above and detail below.
    std::optional<Response> answer_at_once(Admitted const& request, Head const& head,
                                           std::string const& body);
    net::awaitable<Response> answer(Admitted const& request, Head const& head, std::string const& body);
    // Both say what is wrong, where there is somebody to tell, and give false.
    net::awaitable<bool> refuse(ProblemType type, std::string_view detail);
    net::awaitable<bool> refuse_unreadable(boost::system::error_code error);
    net::awaitable<bool> write(Response response, Head head, unsigned version, bool keep_alive);
    net::awaitable<bool> send(std::array<net::const_buffer, 2> bytes);  // false: they could not be sent
    net::awaitable<void> linger();
    net::awaitable<void> end();

    void set_deadline(std::chrono::milliseconds within);
    void clear_deadline();
    void set_timer(Clock::time_point end);
    void look_at_deadline();

    Shared& shared_;
    Stream stream_;
    boost::beast::flat_buffer buffer_;
    std::optional<Clock::time_point> deadline_;    // of what is under way
    net::steady_timer timer_;                      // runs out at the deadline, or before it
    std::optional<Clock::time_point> timer_ends_;  // while it runs
    bool timed_out_ = false;
    std::string address_;       // of the client
    net::steady_timer events_;  // runs out at a heartbeat; an event cancels it
    bool listening_ = false;
    bool idle_ = false;
    bool closing_ = false;
    bool unread_ = false;  // the client has sent, or is sending, what nobody will read
};

}  // namespace probekeeper::api
