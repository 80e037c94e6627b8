#include "api/session.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/buffer.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/string.hpp>
#include <boost/beast/http/error.hpp>
#include <boost/beast/http/read.hpp>
#include <boost/beast/http/status.hpp>

#include "api/http_date.h"
#include "api/read_head.h"

namespace probekeeper::api {
namespace {

namespace http = boost::beast::http;
using boost::system::error_code;

constexpr auto tuple = net::as_tuple(net::use_awaitable);

Response refusal(ProblemType type, std::string_view detail) {
    return to_response({type, std::string{detail}, {}, {}});
}

enum class Expectation { none, leave_to_send, unknown };
// What a listener that has stopped reading costs the system before it is found out.
constexpr int stream_buffer_bytes = 64 * 1024;
constexpr std::string_view continue_line = "HTTP/1.1 100 Continue\r\n\r\n";

Expectation expectation_of(http::request_header<> const& request) {
    auto const found = request.find(http::field::expect);
    if (found == request.end()) {
        return Expectation::none;
    }
    return boost::beast::iequals(found->value(), "100-continue") ? Expectation::leave_to_send
                                                                 : Expectation::unknown;
}

// What to tell a client whose request could not be read; empty where there is nobody to tell.
std::optional<Problem> problem_of_read(error_code error, bool timed_out, Limits const& limits) {
    auto const say = [](ProblemType type, std::string detail) {
        return Problem{type, std::move(detail), {}, {}};
    };
    if (timed_out) {
        return say(ProblemType::timeout, "the request did not arrive in time; send it again, faster");
    }
    if (error == http::error::header_limit || error == http::error::buffer_overflow) {
        return say(ProblemType::header_too_large,
                   fmt::format("request line and header may have {} bytes together", limits.header_bytes));
    }
    if (error == http::error::body_limit) {
        return say(ProblemType::body_too_large, fmt::format("a body may have {} bytes", limits.body_bytes));
    }
    if (error == http::error::bad_version) {
        return say(ProblemType::version_not_supported, "this server speaks HTTP/1.1");
    }
    bool const gone = error == http::error::end_of_stream || error == http::error::partial_message;
    if (gone || error.category() != make_error_code(http::error::bad_method).category()) {
        return std::nullopt;
    }
    return say(ProblemType::malformed_request,
               fmt::format("the request cannot be read: {}", error.message()));
}

// All that goes before the bytes of `response`. Written by hand: Beast's message takes an allocation a field,
// and with its serializer as long as all the rest of a short answer.
std::string header_text(Response const& response, unsigned version, bool keep_alive, Timestamp now) {
    std::string text;
    text.reserve(512);
    auto const line = [&text](std::string_view name, std::string_view value) {
        text.append(name).append(": ").append(value).append("\r\n");
    };
    text.append(version == 10 ? "HTTP/1.0 " : "HTTP/1.1 ")
        .append(std::to_string(response.status))
        .append(" ")
        .append(std::string_view{
            http::obsolete_reason(http::int_to_status(static_cast<unsigned>(response.status)))})
        .append("\r\n");
    line("Date", http_date(now));
    if (!response.content_type.empty()) {
        line("Content-Type", response.content_type);
    }
    for (auto const& [name, value] : response.headers) {
        line(name, value);
    }
    line("Content-Length", std::to_string(response.bytes().size()));
    if (keep_alive != (version > 10)) {  // what each version does unless told
        line("Connection", keep_alive ? "keep-alive" : "close");
    }
    return text.append("\r\n");
}

using Buffers = std::array<net::const_buffer, 2>;
Buffers buffers_of(std::string const& head, std::string_view body) {
    return {net::buffer(head), net::buffer(body.data(), body.size())};
}

void consume(Buffers& buffers, std::size_t bytes) {
    for (auto& buffer : buffers) {
        auto const of_this = std::min(bytes, buffer.size());
        buffer += of_this;
        bytes -= of_this;
    }
}

}  // namespace

Session::Session(net::ip::tcp::socket socket, Shared& shared)
    : shared_{shared},
      stream_{std::move(socket), shared.tls},
      // Room for a whole header and for the piece of the body that came with it.
      buffer_{shared.limits.header_bytes + 64 * 1024},
      timer_{stream_.get_executor()},
      events_{stream_.get_executor()} {
    error_code ignored;
    auto const end = stream_.socket().remote_endpoint(ignored);
    address_ = ignored ? std::string{} : end.address().to_string();
}

net::awaitable<void> Session::run() {
    bool more = co_await shake_hands();
    if (more) {
        more = co_await await_request();
    }
    while (more) {
        more = co_await serve();
        if (more) {
            more = co_await await_request();
        }
    }
    co_await end();
}

net::awaitable<bool> Session::shake_hands() {
    if (!stream_.is_secure()) {
        co_return true;
    }
    set_deadline(shared_.limits.header);
    auto const [error] = co_await stream_.secure().async_handshake(net::ssl::stream_base::server, tuple);
    clear_deadline();
    co_return !error;
}

net::awaitable<void> Session::end() {
    if (stream_.is_secure() && stream_.socket().is_open()) {
        set_deadline(std::chrono::milliseconds{2'000});
        static_cast<void>(co_await stream_.secure().async_shutdown(tuple));
    }
    if (unread_) {
        co_await linger();
    }
    clear_deadline();
    error_code ignored;
    stream_.socket().shutdown(net::ip::tcp::socket::shutdown_both, ignored);
    stream_.socket().close(ignored);
}

void Session::wind_down() {
    closing_ = true;
    if (idle_) {
        abort();
    }
    events_.cancel();
}

void Session::wake() {
    if (listening_) {
        events_.cancel();
    }
}

void Session::abort() {
    closing_ = true;
    events_.cancel();
    error_code ignored;
    stream_.socket().close(ignored);
}

void Session::turn_away(net::ip::tcp::socket socket, Shared& shared) {
    if (shared.tls) {
        return;  // nothing can be said before the handshake, for which there is no room
    }
    auto response =
        to_response({ProblemType::unavailable,
                     fmt::format("{} connections are open, and no more may be", shared.limits.connections),
                     {},
                     {{"Retry-After", "5"}}});
    shared.dispatcher.finish(response, Head{});
    auto const head = header_text(response, 11, /*keep_alive=*/false, shared.now());
    error_code ignored;
    socket.non_blocking(true, ignored);
    net::write(socket, buffers_of(head, response.bytes()),
               ignored);  // a fresh socket's buffer takes it whole
    socket.shutdown(net::ip::tcp::socket::shutdown_both, ignored);
}

net::awaitable<bool> Session::await_request() {
    if (closing_) {
        co_return false;
    }
    if (buffer_.size() > 0) {
        co_return true;  // pipelined: it is here already
    }
    set_deadline(shared_.limits.idle);
    idle_ = true;
    auto const [error, count] = co_await stream_.async_read_some(buffer_.prepare(4096), tuple);
    idle_ = false;
    buffer_.commit(count);
    co_return !error && !(closing_ && count == 0);
}

net::awaitable<bool> Session::serve() {
    Header header;
    header.header_limit(static_cast<std::uint32_t>(shared_.limits.header_bytes));
    header.body_limit(boost::none);  // each way of taking it has a limit of its own
    set_deadline(shared_.limits.header);
    auto const [error, count] = co_await http::async_read_header(stream_, buffer_, header, tuple);
    if (error) {
        co_return co_await refuse_unreadable(error);
    }
    // RFC 9112 section 6.3: where such a body would end nobody can know, and what follows could pass for
    // another request.
    if (header.get().count(http::field::transfer_encoding) > 0 && !header.chunked()) {
        co_return co_await refuse(ProblemType::malformed_request,
                                  "the only transfer encoding known here is chunked");
    }
    auto head = head_of(header.get().base());
    head.address = address_;
    auto const version = header.get().version();
    auto admitted = shared_.dispatcher.admit(head);
    if (auto* refusal = std::get_if<Response>(&admitted)) {
        unread_ = !header.is_done();
        bool const keep_alive = header.get().keep_alive() && !unread_;
        co_return co_await write(std::move(*refusal), std::move(head), version, keep_alive);
    }
    auto const& request = std::get<Admitted>(admitted);
    if (request.route->where == Where::events) {
        if (head.method == "HEAD") {
            Response opening{200, std::string{request.route->gives}, {}, {}};
            bool const stays = header.get().keep_alive();
            co_return co_await write(std::move(opening), std::move(head), version, stays);
        }
        co_return co_await serve_events(request, std::move(head));
    }
    if (request.route->where == Where::upload) {
        co_return co_await take_upload(header, request, std::move(head));
    }
    Parser parser{std::move(header)};
    parser.body_limit(shared_.limits.body_bytes);
    if (parser.content_length() && *parser.content_length() > shared_.limits.body_bytes) {
        co_return co_await refuse_unreadable(http::error::body_limit);
    }
    if (!parser.is_done()) {
        bool const whole = co_await read_body(parser);
        if (!whole) {
            co_return false;
        }
    }
    clear_deadline();
    auto ready = answer_at_once(request, head, parser.get().body());
    auto response = ready ? std::move(*ready) : Response{};
    if (!ready) {
        response = co_await answer(request, head, parser.get().body());
    }
    bool const keep_alive = parser.get().keep_alive();
    co_return co_await write(std::move(response), std::move(head), version, keep_alive);
}

// False: the connection is to end.
net::awaitable<bool> Session::leave_to_send(http::request_header<> const& header) {
    auto const wish = expectation_of(header);
    if (wish == Expectation::unknown) {
        co_return co_await refuse(ProblemType::expectation_failed,
                                  "the only expectation known here is 100-continue");
    }
    if (wish == Expectation::leave_to_send) {
        auto const go_on = net::buffer(continue_line);
        auto const [unsent, sent] = co_await net::async_write(stream_, go_on, tuple);
        co_return !unsent;
    }
    co_return true;
}

net::awaitable<bool> Session::read_body(Parser& parser) {
    set_deadline(shared_.limits.body);
    bool const may = co_await leave_to_send(parser.get().base());
    if (!may) {
        co_return false;
    }
    auto const [error, count] = co_await http::async_read(stream_, buffer_, parser, tuple);
    if (error) {
        co_return co_await refuse_unreadable(error);
    }
    co_return true;
}

net::awaitable<bool> Session::take_upload(Header& header, Admitted const& request, Head head) {
    http::request_parser<http::buffer_body> parser{std::move(header)};
    parser.body_limit(shared_.limits.upload_bytes);
    if (parser.content_length() && *parser.content_length() > shared_.limits.upload_bytes) {
        unread_ = true;
        auto response = refusal(ProblemType::body_too_large,
                                fmt::format("an upload may have {} bytes", shared_.limits.upload_bytes));
        co_return co_await write(std::move(response), std::move(head), parser.get().version(),
                                 /*keep_alive=*/false);
    }
    Spool spool{shared_.spool_folder};
    ContentHash hash;
    bool const whole = co_await spool_body(parser, spool, hash);
    if (!whole) {
        co_return false;
    }
    clear_deadline();
    auto job = [this, &request, &head, &spool, &hash]() -> net::awaitable<Response> {
        co_return shared_.dispatcher.answer_upload(request, head, spool.path(), hash.text());
    };
    auto response = co_await net::co_spawn(shared_.pool, std::move(job), net::use_awaitable);
    bool const keep_alive = parser.get().keep_alive();
    auto const version = parser.get().version();
    co_return co_await write(std::move(response), std::move(head), version, keep_alive);
}

// A piece at a time, so that no body is ever held whole. False: the connection is to end.
net::awaitable<bool> Session::spool_body(http::request_parser<http::buffer_body>& parser, Spool& spool,
                                         ContentHash& hash) {
    if (spool.error()) {
        co_return co_await refuse_upload(spool.error());
    }
    set_deadline(shared_.limits.upload);
    bool const may = co_await leave_to_send(parser.get().base());
    if (!may) {
        co_return false;
    }
    std::vector<char> piece(64 * 1024);
    while (!parser.is_done()) {
        parser.get().body().data = piece.data();
        parser.get().body().size = piece.size();
        auto const [error, count] = co_await http::async_read(stream_, buffer_, parser, tuple);
        if (error && error != http::error::need_buffer) {
            co_return co_await refuse_unreadable(error);
        }
        std::string_view const read{piece.data(), piece.size() - parser.get().body().size};
        hash.add(read);
        spool.write(read);
        if (spool.error()) {
            co_return co_await refuse_upload(spool.error());
        }
    }
    co_return true;
}

net::awaitable<bool> Session::refuse_upload(std::error_code why) {
    shared_.log->error("event=upload_not_kept why=\"{}\"", why.message());
    unread_ = true;
    auto response = to_response({ProblemType::unavailable,
                                 "an upload cannot be kept just now; the daemon's log says why",
                                 {},
                                 {{"Retry-After", "5"}}});
    Head head;
    co_return co_await write(std::move(response), std::move(head), 11, /*keep_alive=*/false);
}

// Goes on until the client leaves, is too slow, or the server stops. Holds nothing for a client but its
// place: one that reads slowly costs what its socket's buffer costs.
net::awaitable<bool> Session::serve_events(Admitted const& request, Head head) {
    constexpr std::string_view header_end = "\r\n";
    Response opening{200, "text/event-stream", {}, {}};
    shared_.dispatcher.finish_stream(opening, head);
    std::string text = fmt::format("HTTP/1.1 200 OK\r\nDate: {}\r\nContent-Type: {}\r\nConnection: close\r\n",
                                   http_date(shared_.now()), opening.content_type);
    for (auto const& [name, value] : opening.headers) {
        text += fmt::format("{}: {}\r\n", name, value);
    }
    text += header_end;
    text += "retry: 3000\n\n";
    error_code ignored;
    stream_.socket().set_option(net::socket_base::send_buffer_size{stream_buffer_bytes}, ignored);
    auto& metrics = shared_.dispatcher.metrics();
    ++metrics.event_clients;
    auto const last = shared_.dispatcher.backend().events().last();
    // A number beyond the last is another run's, or of a hub that is ahead: there it will come.
    bool const of_hub = shared_.dispatcher.backend().is_hub();
    auto place = of_hub ? request.heard.value_or(last) : std::min(request.heard.value_or(last), last);
    listening_ = true;
    bool open = co_await write_text(text);
    while (open && !closing_) {
        auto const events = co_await next_events(place);
        text.clear();
        for (auto const& event : events) {
            place = event.id;
            if (request.caller.sees(event.site)) {
                text += wire_text(event);
                ++metrics.events_sent;
            }
        }
        if (events.empty()) {
            events_.expires_after(shared_.limits.heartbeat);
            auto const [woken] = co_await events_.async_wait(tuple);
            text = woken ? "" : ": still here\n\n";
        }
        open = text.empty() || co_await write_text(text);
    }
    listening_ = false;
    --metrics.event_clients;
    co_return false;
}

net::awaitable<std::vector<Event>> Session::next_events(std::int64_t after) {
    constexpr std::size_t at_once = 100;
    auto& backend = shared_.dispatcher.backend();
    auto fresh = backend.events().after(after, at_once);
    if (fresh) {
        co_return std::move(*fresh);
    }
    auto job = [&backend, after]() -> net::awaitable<std::vector<Event>> {
        auto stored = backend.stored_events(after, at_once);
        co_return stored ? std::move(stored).value() : std::vector<Event>{};
    };
    auto stored = co_await net::co_spawn(shared_.pool, std::move(job), net::use_awaitable);
    if (stored.empty()) {
        // The store has nothing between: go on with the oldest that the memory has.
        co_return backend.events().oldest(at_once);
    }
    co_return stored;
}

net::awaitable<bool> Session::write_text(std::string const& text) {
    set_deadline(shared_.limits.write);
    auto const bytes = net::buffer(text);
    auto const [error, count] = co_await net::async_write(stream_, bytes, tuple);
    if (error && timed_out_) {
        ++shared_.dispatcher.metrics().event_clients_dropped;
    }
    clear_deadline();
    co_return !error;
}

// Nothing where it must wait for the pool.
std::optional<Response> Session::answer_at_once(Admitted const& request, Head const& head,
                                                std::string const& body) {
    bool const at_once = request.route->where == Where::at_once && !shared_.dispatcher.backend().is_hub();
    return at_once ? shared_.dispatcher.answer_finished(request, head, body)
                   : shared_.dispatcher.kept(request, head);
}

net::awaitable<Response> Session::answer(Admitted const& request, Head const& head, std::string const& body) {
    // Named before it is awaited: GCC 12 can destroy twice a capturing lambda that is made inside co_await.
    auto job = [this, &request, &head, &body]() -> net::awaitable<Response> {
        co_return shared_.dispatcher.answer_finished(request, head, body);  // to compress takes its time too
    };
    co_return co_await net::co_spawn(shared_.pool, std::move(job), net::use_awaitable);
}

net::awaitable<bool> Session::refuse(ProblemType type, std::string_view detail) {
    unread_ = true;
    auto response = refusal(type, detail);
    Head head;
    co_return co_await write(std::move(response), std::move(head), 11, /*keep_alive=*/false);
}

net::awaitable<bool> Session::refuse_unreadable(error_code error) {
    auto const problem = problem_of_read(error, timed_out_, shared_.limits);
    if (!problem) {
        co_return false;
    }
    co_return co_await refuse(problem->type, problem->detail);
}

net::awaitable<bool> Session::write(Response response, Head head, unsigned version, bool keep_alive) {
    if (!response.finished) {
        shared_.dispatcher.finish(response, head);
    }
    keep_alive = keep_alive && !closing_;
    auto& answers = shared_.dispatcher.metrics().answers;
    ++answers[std::min<std::size_t>(static_cast<std::size_t>(response.status / 100 - 1), answers.size() - 1)];
    // The path alone: a query may hold a link's secret.
    shared_.log->debug("event=answered method={} path={} status={}", head.method,
                       head.target.substr(0, head.target.find('?')), response.status);
    auto const text = header_text(response, version, keep_alive, shared_.now());
    bool const sent =
        co_await send(buffers_of(text, head.method == "HEAD" ? std::string_view{} : response.bytes()));
    co_return sent&& keep_alive;
}

// Most answers fit what the system has room for, and need no waiting.
net::awaitable<bool> Session::send(std::array<net::const_buffer, 2> bytes) {
    error_code failed;
    clear_deadline();
    consume(bytes, stream_.write_at_once(bytes, failed));
    if (!failed && net::buffer_size(bytes) == 0) {
        if (buffer_.size() > 0) {  // pipelined: others come first, or one connection could keep all waiting
            co_await net::post(stream_.get_executor(), net::use_awaitable);
        }
        co_return true;
    }
    set_deadline(shared_.limits.write);
    while (!failed && net::buffer_size(bytes) > 0) {
        auto const [error, count] = co_await stream_.async_write_some(bytes, tuple);
        failed = error;
        consume(bytes, count);
    }
    clear_deadline();
    co_return !failed;
}

// Closing a socket that has unread bytes resets the connection, and a reset may overtake the answer: so what
// still comes is read and thrown away, for a moment.
net::awaitable<void> Session::linger() {
    constexpr std::chrono::milliseconds at_most{2'000};
    constexpr std::size_t bytes_at_most = 8 * 1024 * 1024;
    error_code ignored;
    stream_.socket().shutdown(net::ip::tcp::socket::shutdown_send, ignored);
    set_deadline(at_most);
    std::array<char, 16 * 1024> waste{};
    for (std::size_t read = 0; read < bytes_at_most;) {
        auto const [error, count] = co_await stream_.socket().async_read_some(net::buffer(waste), tuple);
        if (error) {
            break;
        }
        read += count;
    }
}

// Nearly every deadline is moved on before it comes, several times a request; a timer that was set anew each
// time cost as much as reading the request. So the timer is set only where it would run out too late, and
// looks then.
void Session::set_deadline(std::chrono::milliseconds within) {
    timed_out_ = false;
    deadline_ = Clock::now() + within;
    if (!timer_ends_ || *deadline_ < *timer_ends_) {
        set_timer(*deadline_);
    }
}

void Session::clear_deadline() {
    deadline_.reset();
}

void Session::set_timer(Clock::time_point end) {
    timer_ends_ = end;
    timer_.expires_at(end);
    timer_.async_wait([held = weak_from_this()](error_code error) {
        if (auto const self = held.lock(); self && !error) {
            self->look_at_deadline();
        }
    });
}

void Session::look_at_deadline() {
    timer_ends_.reset();
    if (!deadline_) {
        return;
    }
    if (Clock::now() < *deadline_) {
        return set_timer(*deadline_);
    }
    deadline_.reset();
    timed_out_ = true;
    error_code ignored;
    stream_.socket().cancel(ignored);  // not close: what timed out may still be told so
}

}  // namespace probekeeper::api
