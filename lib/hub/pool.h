// A few connections to the hub's database, lent to whoever has something to ask. Thread-safe.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <memory>
#include <mutex>
#include <vector>

#include "postgres/connection.h"

namespace probekeeper::hub {

class Pool {
public:
    struct Counts {
        std::size_t open = 0, lent = 0;
        std::uint64_t opened = 0, failed = 0;  // since the start
        bool reachable = true;                 // as far as the last attempt says
    };

    // At most `most` connections. A connection that idles is used again, one that was lost is not.
    Pool(postgres::Options options, std::size_t most);

    class Lease {
    public:
        Lease(Pool& pool, std::unique_ptr<postgres::Connection> connection)
            : pool_{&pool}, connection_{std::move(connection)} {}
        Lease(Lease&& other) noexcept = default;
        Lease& operator=(Lease&&) = delete;
        ~Lease();
        [[nodiscard]] postgres::Connection& operator*() const { return *connection_; }
        [[nodiscard]] postgres::Connection* operator->() const { return connection_.get(); }

    private:
        Pool* pool_;
        std::unique_ptr<postgres::Connection> connection_;
    };

    // Waits for one that is free, for a few seconds at most. Throws postgres::Error; for a moment after an
    // attempt to connect has failed it throws at once, so that callers do not queue up behind a database that
    // is not there.
    [[nodiscard]] Lease lend();

    // What `ask` gives of a connection. A connection that went while it idled is noticed by its first use
    // only: what fails with Fault::lost is asked once more on a new one. For reading.
    template <typename Ask>
    [[nodiscard]] auto read(Ask ask) {
        {
            auto lease = lend();
            try {
                return ask(*lease);
            } catch (postgres::Error const& error) {
                if (error.fault() != postgres::Fault::lost) {
                    throw;
                }
            }
        }
        drop_idle();
        auto lease = lend();
        return ask(*lease);
    }

    [[nodiscard]] Counts counts() const;

private:
    using Clock = std::chrono::steady_clock;
    void give_back(std::unique_ptr<postgres::Connection> connection);
    void drop_idle();

    postgres::Options options_;
    std::size_t most_;
    mutable std::mutex mutex_;  // guards the following
    std::condition_variable freed_;
    std::vector<std::unique_ptr<postgres::Connection>> idle_;
    Counts counts_;
    Clock::time_point failed_at_{};
    std::string failure_;
    postgres::Fault fault_ = postgres::Fault::lost;
};

}  // namespace probekeeper::hub
