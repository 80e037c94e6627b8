// What a connection string of libpq says, without connecting. Pure.
#pragma once

#include <boost/system/result.hpp>
#include <optional>
#include <stdexcept>
#include <string>

namespace probekeeper::postgres {

struct Destination {
    bool local = true;      // every host named is a folder of sockets or loopback; none named is local too
    std::string tls;        // `sslmode` as it was written; empty: not written
    bool password = false;  // a password stands in it
};

// A sentence, without the string itself, for it may hold what it should not.
struct NoDestination {
    std::string message;
};
[[noreturn]] inline void throw_exception_from_error(NoDestination const& problem,
                                                    boost::source_location const&) {
    throw std::runtime_error{problem.message};
}

[[nodiscard]] boost::system::result<Destination, NoDestination> destination_of(std::string const& conninfo);

// Why such a connection may not be made, as a sentence; empty where it may. Beyond this machine it must be
// verify-full, which is also what is taken where nothing is written; less only where `tls_off` says that it
// is meant.
[[nodiscard]] std::optional<std::string> problem_of(Destination const& to, bool tls_off);

}  // namespace probekeeper::postgres
