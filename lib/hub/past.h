// Records and tickets of all sites, followed as they change: what lessons are drawn from.
#pragma once

#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <utility>

#include "hub/estate.h"
#include "live/lessons.h"
#include "postgres/connection.h"

namespace probekeeper::hub {

class Past {
public:
    // As the database has it now; reads what changed since it was asked for last. Throws postgres::Error.
    [[nodiscard]] std::shared_ptr<live::History const> now(postgres::Connection& connection,
                                                           Estate::Now const& estate);

private:
    using Key = std::pair<std::string, std::int64_t>;  // site and number
    bool follow(postgres::Connection& connection);

    std::mutex mutex_;  // guards the following
    std::map<Key, service::Ticket> tickets_;
    std::map<Key, service::KeptRecord> records_;
    std::string seen_ = "0";  // all that was changed by transactions before it is in
    std::string estate_;      // the version that history_ is of
    std::shared_ptr<live::History const> history_;
};

}  // namespace probekeeper::hub
