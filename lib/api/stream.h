// A connection's bytes, plain or through TLS.
#pragma once

#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/ssl/context.hpp>
#include <boost/asio/ssl/stream.hpp>
#include <memory>
#include <optional>

#include "api/server.h"

namespace probekeeper::api {

namespace net = boost::asio;

class Tls {
public:
    explicit Tls(net::ssl::context made) : context{std::move(made)} {}
    net::ssl::context context;
};

// Satisfies Asio's AsyncReadStream and AsyncWriteStream.
class Stream {
public:
    using Socket = net::ip::tcp::socket;
    using executor_type = Socket::executor_type;

    // `tls` null: plain. It is kept for as long as the stream lives, whatever certificate comes next.
    Stream(Socket socket, std::shared_ptr<Tls> tls) : tls_{std::move(tls)}, socket_{std::move(socket)} {
        boost::system::error_code ignored;
        socket_.non_blocking(true, ignored);
        if (tls_) {
            secure_.emplace(socket_, tls_->context);
        }
    }

    executor_type get_executor() { return socket_.get_executor(); }
    Socket& socket() { return socket_; }
    [[nodiscard]] bool is_secure() const { return secure_.has_value(); }
    net::ssl::stream<Socket&>& secure() { return *secure_; }

    // What the system takes without waiting, in bytes; nothing through TLS. An error is one that stays.
    template <typename Buffers>
    std::size_t write_at_once(Buffers const& buffers, boost::system::error_code& error) {
        if (secure_) {
            return 0;
        }
        auto const written = socket_.write_some(buffers, error);
        if (error == net::error::would_block || error == net::error::try_again) {
            error = {};
        }
        return written;
    }
    template <typename Buffers, typename Token>
    auto async_read_some(Buffers const& buffers, Token&& token) {
        if (secure_) {
            return secure_->async_read_some(buffers, std::forward<Token>(token));
        }
        return socket_.async_read_some(buffers, std::forward<Token>(token));
    }
    template <typename Buffers, typename Token>
    auto async_write_some(Buffers const& buffers, Token&& token) {
        if (secure_) {
            return secure_->async_write_some(buffers, std::forward<Token>(token));
        }
        return socket_.async_write_some(buffers, std::forward<Token>(token));
    }

private:
    std::shared_ptr<Tls> tls_;
    Socket socket_;
    std::optional<net::ssl::stream<Socket&>> secure_;
};

}  // namespace probekeeper::api
