// One connection: reads requests one after the other, has them answered, and ends in good manners.
//
// Everything in here runs on the server's one serving thread, except the handlers that dispatch to the pool.
#pragma once

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/string_body.hpp>
#include <memory>
#include <optional>

#include "api/dispatch.h"
#include "api/server.h"

namespace probekeeper::api {

namespace net = boost::asio;

// What all sessions of a server share; outlives them.
struct Shared {
    Limits limits;
    std::function<Timestamp()> now;
    Dispatcher dispatcher;
    net::thread_pool pool;
    std::shared_ptr<spdlog::logger> log;
};

class Session : public std::enable_shared_from_this<Session> {
public:
    Session(net::ip::tcp::socket socket, Shared& shared);

    // Serves until either side is done. Whoever spawns it keeps the session alive until then.
    net::awaitable<void> run();
    // The server stops: an idle connection ends now, any other after the request under way.
    void wind_down();
    // Ends now, whatever is under way.
    void abort();
    // For a connection too many: says 503 if that can be said without waiting, and ends.
    static void turn_away(net::ip::tcp::socket socket, Shared& shared);

private:
    using Parser = boost::beast::http::request_parser<boost::beast::http::string_body>;

    net::awaitable<bool> await_request();  // false: there will be none
    net::awaitable<bool> serve();          // false: the connection is to end
    net::awaitable<bool> read_body(Parser& parser);
    // References into serve()'s frame, which outlives the call; likewise parser above and detail below.
    net::awaitable<Response> answer(Admitted const& request, Head const& head, std::string const& body);
    // Both say what is wrong, where there is somebody to tell, and give false.
    net::awaitable<bool> refuse(ProblemType type, std::string_view detail);
    net::awaitable<bool> refuse_unreadable(boost::system::error_code error);
    net::awaitable<bool> write(Response response, Head head, unsigned version, bool keep_alive);
    net::awaitable<void> linger();

    void set_deadline(std::chrono::milliseconds within);
    void clear_deadline();

    net::ip::tcp::socket socket_;
    Shared& shared_;
    boost::beast::flat_buffer buffer_;
    net::steady_timer deadline_;
    std::uint64_t deadline_number_ = 0;  // tells a late expiry of an old deadline from the one that holds
    bool timed_out_ = false;
    bool idle_ = false;
    bool closing_ = false;
    bool unread_ = false;  // the client has sent, or is sending, what nobody will read
};

}  // namespace probekeeper::api
