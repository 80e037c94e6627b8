// An HTTP client of the tests' own, on a bare socket: it shares no code with the server, and can send what no
// library would.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>

struct Reply {
    int status = 0;
    std::map<std::string, std::string> headers;  // names in lower case
    std::string body;
    [[nodiscard]] std::string header(std::string const& name) const {
        auto const found = headers.find(name);
        return found == headers.end() ? std::string{} : found->second;
    }
};

class Client {
public:
    explicit Client(std::uint16_t port);
    ~Client();
    Client(Client const&) = delete;
    Client& operator=(Client const&) = delete;

    // False where the server has closed.
    bool send(std::string_view bytes);
    void finish_sending();
    // The next response; `to_head`: it has no body whatever its length says. Throws std::runtime_error where
    // none comes within 30 s, or the connection ends first.
    Reply receive(bool to_head = false);
    // The next line of a stream, without its end; as receive() where none comes.
    std::string receive_line();
    // Waits, for 30 s at most, until the server closes; throws where it sends anything more or does not.
    void await_end();
    Reply get(std::string const& target, std::string const& more_headers = {});
    Reply post(std::string const& target, std::string const& body, std::string const& more_headers = {});

private:
    bool read_more();  // false: the server has closed

    int fd_ = -1;
    std::string buffer_;
};
