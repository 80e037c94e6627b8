// What the API is held against: a bare Beast server that sends given bytes.   bench_bare_server FILE
// FILE holds a whole answer, status line, headers and body. Prints its port; serves until its standard input
// ends. One thread, as the API's; requests are read and parsed, whatever they ask for gets the same answer.
#include <unistd.h>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>

#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <memory>
#include <string>
#include <thread>

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using asio::ip::tcp;
using Answer = http::response<http::string_body>;

namespace {

class Session : public std::enable_shared_from_this<Session> {
public:
    Session(tcp::socket socket, Answer const& answer) : stream_{std::move(socket)}, answer_{answer} {}
    void read() {
        request_ = {};
        http::async_read(stream_, buffer_, request_,
                         [self = shared_from_this()](beast::error_code error, std::size_t) {
                             if (!error) {
                                 self->write();
                             }
                         });
    }

private:
    void write() {
        serializer_.emplace(answer_);
        http::async_write(stream_, *serializer_,
                          [self = shared_from_this()](beast::error_code error, std::size_t) {
                              if (!error) {
                                  self->read();
                              }
                          });
    }
    beast::tcp_stream stream_;
    beast::flat_buffer buffer_;
    http::request<http::empty_body> request_;
    Answer const& answer_;
    std::optional<http::response_serializer<http::string_body>> serializer_;
};

void accept(tcp::acceptor& acceptor, Answer const& answer) {
    acceptor.async_accept([&](beast::error_code error, tcp::socket socket) {
        if (!error) {
            socket.set_option(tcp::no_delay{true});
            std::make_shared<Session>(std::move(socket), answer)->read();
        }
        accept(acceptor, answer);
    });
}

Answer answer_of(char const* path) {
    std::ifstream file{path, std::ios::binary};
    std::string const bytes{std::istreambuf_iterator<char>{file}, {}};
    http::response_parser<http::string_body> parser;
    parser.body_limit(boost::none);
    parser.eager(true);
    beast::error_code error;
    parser.put(asio::buffer(bytes), error);
    if (error || !parser.is_done()) {
        std::fprintf(stderr, "bench_bare_server: %s holds no whole answer\n", path);
        std::exit(1);
    }
    return parser.release();
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 2) {
        std::fputs("usage: bench_bare_server FILE\n", stderr);
        return 2;
    }
    auto const answer = answer_of(argv[1]);
    asio::io_context io{1};
    tcp::acceptor acceptor{io, {asio::ip::address_v4::loopback(), 0}};
    std::printf("%d\n", static_cast<int>(acceptor.local_endpoint().port()));
    std::fflush(stdout);
    std::thread{[] {
        char byte = 0;
        while (::read(STDIN_FILENO, &byte, 1) > 0) {
        }
        std::_Exit(0);
    }}.detach();
    accept(acceptor, answer);
    io.run();
}
