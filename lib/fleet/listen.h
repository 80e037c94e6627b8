#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace probekeeper::fleet {

struct Listen {
    std::string host;  // a numeric address
    std::uint16_t port = 0;
};

// "127.0.0.1:8080", "[::1]:8080", or "localhost:8080", which is the first of them: another name could mean an
// address beyond loopback, and another one tomorrow. Empty where it is none of these forms or the port
// not 1..65535.
[[nodiscard]] std::optional<Listen> parse_listen(std::string_view text);

// 127.0.0.0/8 and ::1: what nobody can reach from another machine.
[[nodiscard]] bool is_loopback(std::string_view host);

// "10.1.0.0/16", "fd00::/8", or a single address.
[[nodiscard]] bool is_network(std::string_view text);

// Whether a numeric address lies in a network as above. False where either is neither, or one is IPv4 and the
// other IPv6.
[[nodiscard]] bool in_network(std::string_view address, std::string_view network);

}  // namespace probekeeper::fleet
