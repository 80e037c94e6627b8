#include "api/gate.h"

#include <algorithm>

namespace probekeeper::api {
namespace {

std::string lower(std::string_view text) {
    std::string out{text};
    std::transform(out.begin(), out.end(), out.begin(),
                   [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
    return out;
}

bool all_digits(std::string_view text) {
    return std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
}

// `host` without its port and brackets; empty where it is not "name", "name:port" or "[v6]:port".
std::string name_of(std::string_view host) {
    std::size_t end = 0;
    std::string_view name;
    if (host.substr(0, 1) == "[") {
        end = host.find(']');
        if (end == std::string_view::npos) {
            return {};
        }
        name = host.substr(1, end - 1);
        ++end;
    } else {
        end = std::min(host.find(':'), host.size());
        name = host.substr(0, end);
    }
    auto const rest = host.substr(end);
    bool const fits = rest.empty() || (rest[0] == ':' && rest.size() <= 6 && all_digits(rest.substr(1)));
    return fits ? lower(name) : std::string{};
}

}  // namespace

Gate::Gate(std::string address, std::vector<std::string> allow_origins, std::vector<std::string> host_names)
    : loopback_{address.rfind("127.", 0) == 0 || address == "::1"},
      address_{std::move(address)},
      allow_origins_{std::move(allow_origins)},
      host_names_{std::move(host_names)} {}

bool Gate::knows_host(std::string_view host) const {
    auto const name = name_of(host);
    bool const named = std::any_of(host_names_.begin(), host_names_.end(),
                                   [&](std::string const& own) { return lower(own) == name; });
    if (named || (!loopback_ && host_names_.empty())) {
        return true;
    }
    return name == "localhost" || name == "127.0.0.1" || name == "::1" || name == address_;
}

bool Gate::lets_change(std::string_view origin, std::string_view host) const {
    auto const own = lower(origin), here = lower(host);
    return own == "http://" + here || own == "https://" + here || lets_read(origin);
}

bool Gate::lets_read(std::string_view origin) const {
    return std::any_of(allow_origins_.begin(), allow_origins_.end(),
                       [&](std::string const& allowed) { return lower(allowed) == lower(origin); });
}

}  // namespace probekeeper::api
