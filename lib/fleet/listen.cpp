#include "fleet/listen.h"

#include <arpa/inet.h>

#include <array>

#include "base/text.h"

namespace probekeeper::fleet {
namespace {

// The bytes of a numeric address of the family, in network order.
template <std::size_t Bytes>
std::optional<std::array<unsigned char, Bytes>> address_bytes(int family, std::string_view text) {
    std::array<unsigned char, Bytes> bytes{};
    if (inet_pton(family, std::string{text}.c_str(), bytes.data()) != 1) {
        return std::nullopt;
    }
    return bytes;
}

template <std::size_t Bytes>
bool same_prefix(std::array<unsigned char, Bytes> const& a, std::array<unsigned char, Bytes> const& b,
                 std::size_t bits) {
    for (std::size_t bit = 0; bit < bits; ++bit) {
        auto const mask = 0x80U >> (bit % 8);
        if ((a[bit / 8] & mask) != (b[bit / 8] & mask)) {
            return false;
        }
    }
    return true;
}

auto ipv4(std::string_view text) {
    return address_bytes<4>(AF_INET, text);
}
auto ipv6(std::string_view text) {
    return address_bytes<16>(AF_INET6, text);
}

}  // namespace

std::optional<Listen> parse_listen(std::string_view text) {
    auto const colon = text.rfind(':');
    if (colon == std::string_view::npos) {
        return std::nullopt;
    }
    auto const port = parse_integer(text.substr(colon + 1));
    auto host = text.substr(0, colon);
    if (host.starts_with('[') && host.ends_with(']')) {
        host = host.substr(1, host.size() - 2);
        if (!ipv6(host)) {
            return std::nullopt;
        }
    } else if (host == "localhost") {
        host = "127.0.0.1";
    } else if (!ipv4(host)) {
        return std::nullopt;
    }
    if (!port || *port < 1 || *port > 65'535) {
        return std::nullopt;
    }
    return Listen{std::string{host}, static_cast<std::uint16_t>(*port)};
}

bool is_loopback(std::string_view host) {
    if (auto const four = ipv4(host)) {
        return (*four)[0] == 127;
    }
    if (auto const six = ipv6(host)) {
        return *six == *ipv6("::1");
    }
    return false;
}

bool is_network(std::string_view text) {
    auto const slash = text.find('/');
    auto const address = text.substr(0, slash);
    std::int64_t const most = ipv4(address) ? 32 : ipv6(address) ? 128 : -1;
    if (most < 0 || slash == std::string_view::npos) {
        return most > 0;
    }
    auto const bits = parse_integer(text.substr(slash + 1));
    return bits && *bits >= 0 && *bits <= most;
}

bool in_network(std::string_view address, std::string_view network) {
    if (!is_network(network)) {
        return false;
    }
    auto const slash = network.find('/');
    auto const base = network.substr(0, slash);
    std::size_t bits = ipv4(base) ? 32 : 128;
    if (slash != std::string_view::npos) {
        bits = static_cast<std::size_t>(*parse_integer(network.substr(slash + 1)));
    }
    if (auto const four = ipv4(address), base_four = ipv4(base); four && base_four) {
        return same_prefix(*four, *base_four, bits);
    }
    if (auto const six = ipv6(address), base_six = ipv6(base); six && base_six) {
        return same_prefix(*six, *base_six, bits);
    }
    return false;
}

}  // namespace probekeeper::fleet
