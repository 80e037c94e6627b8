// Who may speak to the server from where: the Host and Origin headers.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace probekeeper::api {

// Why Host: a page of any web site can make a browser ask this machine's loopback under a name of its own
// that it lets resolve to 127.0.0.1 (DNS rebinding), and would then count as the same origin. The name in
// Host gives it away.
class Gate {
public:
    // `address`: where the server listens. On loopback only localhost, 127.0.0.1, [::1] and the address
    // itself, with any port, are its names, and those of `host_names`; elsewhere `host_names`, and any where
    // there are none, because nobody told us which: there every request needs a token, which no strange page
    // has.
    Gate(std::string address, std::vector<std::string> allow_origins, std::vector<std::string> host_names);

    [[nodiscard]] bool knows_host(std::string_view host) const;
    // Whether a page of `origin` may change something here: one served under the same host, or an allowed
    // one.
    [[nodiscard]] bool lets_change(std::string_view origin, std::string_view host) const;
    // Whether a page of `origin` may read answers: an allowed one (CORS; for the same host browsers do not
    // ask).
    [[nodiscard]] bool lets_read(std::string_view origin) const;

private:
    bool loopback_ = false;
    std::string address_;
    std::vector<std::string> allow_origins_, host_names_;
};

}  // namespace probekeeper::api
