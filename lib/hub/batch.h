// What goes to the hub in one transaction: documents by kind, and the statements that take them in. A kind is
// one statement with one JSON array, however many there are of it.
#pragma once

#include <array>
#include <boost/json/object.hpp>
#include <cstdint>
#include <set>
#include <string>
#include <vector>

#include "postgres/connection.h"

namespace probekeeper::hub {

enum class Kind : std::uint8_t {
    site,
    retired,  // probes of a site that are not configured any more
    probe,
    ticket,
    record,
    parked,
    test,
    diagnosis,
    summary,
    event,
    outcome,
};
inline constexpr std::size_t kind_count = 11;

class Batch {
public:
    // `row` has a member "site_id".
    void add(Kind kind, boost::json::object const& row);
    // Takes back the evidence of `site` from `from` on: after what was added before, and before what follows.
    void rewind(std::string site, Timestamp from);

    [[nodiscard]] std::size_t bytes() const { return bytes_; }
    [[nodiscard]] std::size_t rows() const { return rows_; }
    [[nodiscard]] bool has(Kind kind) const;
    [[nodiscard]] std::vector<std::string> sites() const;  // of all that is in it, in order
    // The rows of a kind that were added last, as a JSON array; empty where there are none.
    [[nodiscard]] std::string json(Kind kind) const;
    // Within a transaction of the caller's. Throws postgres::Error.
    void write(postgres::Connection& connection) const;

private:
    struct Part {
        std::string rewound;  // a site; empty: nothing is
        Timestamp from{};
        std::array<std::string, kind_count> rows;  // JSON arrays without their closing bracket
    };
    std::vector<Part> parts_ = std::vector<Part>(1);
    std::set<std::string, std::less<>> sites_;
    std::size_t bytes_ = 0, rows_ = 0;
};

}  // namespace probekeeper::hub
