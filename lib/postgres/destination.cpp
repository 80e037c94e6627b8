#include "postgres/destination.h"

#include <libpq-fe.h>

#include <memory>
#include <string_view>

namespace probekeeper::postgres {

namespace {

bool is_local(std::string_view host) {
    return host.empty() || host.front() == '/' || host.front() == '@' || host == "localhost" ||
           host == "::1" || host.starts_with("127.");
}

bool are_local(std::string_view hosts) {
    while (true) {
        auto const comma = hosts.find(',');
        if (!is_local(hosts.substr(0, comma))) {
            return false;
        }
        if (comma == std::string_view::npos) {
            return true;
        }
        hosts.remove_prefix(comma + 1);
    }
}

}  // namespace

boost::system::result<Destination, NoDestination> destination_of(std::string const& conninfo) {
    std::unique_ptr<PQconninfoOption, decltype(&PQconninfoFree)> const options{
        PQconninfoParse(conninfo.c_str(), nullptr), &PQconninfoFree};
    if (!options) {
        return NoDestination{
            "should be a connection string of PostgreSQL such as \"host=hub.example dbname=probekeeper\""};
    }
    Destination to;
    for (auto const* option = options.get(); option->keyword != nullptr; ++option) {
        if (option->val == nullptr) {
            continue;
        }
        std::string_view const key = option->keyword;
        if (key == "host" || key == "hostaddr") {
            to.local = to.local && are_local(option->val);
        } else if (key == "service") {
            to.local = false;  // another file says where to
        } else if (key == "sslmode") {
            to.tls = option->val;
        } else if (key == "password") {
            to.password = true;
        }
    }
    return to;
}

std::optional<std::string> problem_of(Destination const& to, bool tls_off) {
    if (to.password) {
        return "holds a password, which belongs into `password_file`";
    }
    if (!to.local && !to.tls.empty() && to.tls != "verify-full" && !tls_off) {
        return "says sslmode=" + to.tls +
               ", by which others could read along or pretend to be the hub; leave it out (verify-full), or "
               "write "
               "`tls = \"off\"` too if this is meant";
    }
    return std::nullopt;
}

}  // namespace probekeeper::postgres
