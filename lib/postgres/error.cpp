#include "postgres/error.h"

#include <array>
#include <utility>

namespace probekeeper::postgres {

Fault fault_of(std::string_view sqlstate) {
    // Longest first: https://www.postgresql.org/docs/15/errcodes-appendix.html
    static constexpr std::array known{
        std::pair{std::string_view{"57014"}, Fault::again},    // statement_timeout
        std::pair{std::string_view{"55P03"}, Fault::again},    // lock_timeout
        std::pair{std::string_view{"42501"}, Fault::refused},  // no right to
        std::pair{std::string_view{"25006"}, Fault::lost},  // read only: a standby, the primary is elsewhere
        std::pair{std::string_view{"57P"}, Fault::lost},    // shut down, starting
        std::pair{std::string_view{"08"}, Fault::lost},
        std::pair{std::string_view{"53"}, Fault::lost},  // no room, no memory, too many connections: passes
        std::pair{std::string_view{"58"}, Fault::lost},  // the server's disk
        std::pair{std::string_view{"40"}, Fault::again},
        std::pair{std::string_view{"28"}, Fault::refused},
        std::pair{std::string_view{"3D"}, Fault::refused},
        std::pair{std::string_view{"23"}, Fault::conflict},
    };
    if (sqlstate.empty()) {
        return Fault::lost;
    }
    for (auto const& [beginning, fault] : known) {
        if (sqlstate.starts_with(beginning)) {
            return fault;
        }
    }
    return Fault::wrong;
}

}  // namespace probekeeper::postgres
