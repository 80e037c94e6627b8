#include "api/client.h"

#include <arpa/inet.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cerrno>
#include <stdexcept>

Client::Client(std::uint16_t port) : fd_{::socket(AF_INET, SOCK_STREAM, 0)} {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    timeval const patience{30, 0};
    ::setsockopt(fd_, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
    ::setsockopt(fd_, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
    if (::connect(fd_, reinterpret_cast<sockaddr const*>(&address), sizeof address) != 0) {
        ::close(fd_);
        throw std::runtime_error{"cannot connect"};
    }
}

Client::~Client() {
    ::close(fd_);
}

bool Client::send(std::string_view bytes) {
    while (!bytes.empty()) {
        auto const sent = ::send(fd_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
        if (sent <= 0) {
            return false;
        }
        bytes.remove_prefix(static_cast<std::size_t>(sent));
    }
    return true;
}

void Client::finish_sending() {
    ::shutdown(fd_, SHUT_WR);
}

bool Client::read_more() {
    std::array<char, 65536> piece{};
    auto const count = ::recv(fd_, piece.data(), piece.size(), 0);
    if (count < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
        throw std::runtime_error{"nothing came for 30 s"};
    }
    if (count <= 0) {
        return false;
    }
    buffer_.append(piece.data(), static_cast<std::size_t>(count));
    return true;
}

Reply Client::receive(bool to_head) {
    std::size_t end = std::string::npos;
    while ((end = buffer_.find("\r\n\r\n")) == std::string::npos) {
        if (!read_more()) {
            throw std::runtime_error{"the connection ended before a response"};
        }
    }
    Reply reply;
    reply.status = std::stoi(buffer_.substr(9, 3));
    for (auto at = buffer_.find("\r\n") + 2; at < end + 2;) {
        auto const line_end = buffer_.find("\r\n", at);
        auto const colon = buffer_.find(": ", at);
        auto name = buffer_.substr(at, colon - at);
        std::transform(name.begin(), name.end(), name.begin(),
                       [](unsigned char c) { return std::tolower(c); });
        reply.headers[name] = buffer_.substr(colon + 2, line_end - colon - 2);
        at = line_end + 2;
    }
    buffer_.erase(0, end + 4);
    auto const length = reply.header("content-length");
    std::size_t const wanted = to_head || length.empty() ? 0 : std::stoul(length);
    while (buffer_.size() < wanted) {
        if (!read_more()) {
            throw std::runtime_error{"the connection ended within a body"};
        }
    }
    reply.body = buffer_.substr(0, wanted);
    buffer_.erase(0, wanted);
    return reply;
}

std::string Client::receive_line() {
    std::size_t end = std::string::npos;
    while ((end = buffer_.find('\n')) == std::string::npos) {
        if (!read_more()) {
            throw std::runtime_error{"the connection ended before a line"};
        }
    }
    auto line = buffer_.substr(0, end);
    buffer_.erase(0, end + 1);
    return line;
}

void Client::await_end() {
    if (!buffer_.empty() || read_more()) {
        throw std::runtime_error{"more came: " + buffer_};
    }
}

Reply Client::get(std::string const& target, std::string const& more_headers) {
    send("GET " + target + " HTTP/1.1\r\nHost: localhost\r\n" + more_headers + "\r\n");
    return receive();
}

Reply Client::post(std::string const& target, std::string const& body, std::string const& more_headers) {
    send("POST " + target +
         " HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: " +
         std::to_string(body.size()) + "\r\n" + more_headers + "\r\n" + body);
    return receive();
}
