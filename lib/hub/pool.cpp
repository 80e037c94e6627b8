#include "hub/pool.h"

namespace probekeeper::hub {

namespace {

constexpr std::chrono::seconds wait_for_free{10};
constexpr std::chrono::milliseconds not_again_for{500};

}  // namespace

Pool::Pool(postgres::Options options, std::size_t most) : options_{std::move(options)}, most_{most} {}

Pool::Lease::~Lease() {
    if (connection_) {
        pool_->give_back(std::move(connection_));
    }
}

Pool::Lease Pool::lend() {
    std::unique_lock lock{mutex_};
    auto const is_free = [&] { return counts_.lent < most_; };
    if (!freed_.wait_for(lock, wait_for_free, is_free)) {
        throw postgres::Error{postgres::Fault::lost, "All connections to the hub's database are in use"};
    }
    while (!idle_.empty()) {
        auto connection = std::move(idle_.back());
        idle_.pop_back();
        if (connection->usable()) {
            ++counts_.lent;
            return {*this, std::move(connection)};
        }
        --counts_.open;
    }
    if (!counts_.reachable && Clock::now() - failed_at_ < not_again_for) {
        throw postgres::Error{fault_, failure_};
    }
    ++counts_.lent;
    ++counts_.open;
    lock.unlock();
    try {
        auto connection = std::make_unique<postgres::Connection>(postgres::Connection::open(options_));
        lock.lock();
        ++counts_.opened;
        counts_.reachable = true;
        return {*this, std::move(connection)};
    } catch (postgres::Error const& error) {
        lock.lock();
        --counts_.lent;
        --counts_.open;
        ++counts_.failed;
        counts_.reachable = false;
        failed_at_ = Clock::now();
        failure_ = error.what();
        fault_ = error.fault();
        freed_.notify_one();
        throw;
    }
}

void Pool::give_back(std::unique_ptr<postgres::Connection> connection) {
    std::scoped_lock const lock{mutex_};
    --counts_.lent;
    if (connection->usable()) {
        idle_.push_back(std::move(connection));
    } else {
        --counts_.open;
    }
    freed_.notify_one();
}

void Pool::drop_idle() {
    std::scoped_lock const lock{mutex_};
    counts_.open -= idle_.size();
    idle_.clear();
}

Pool::Counts Pool::counts() const {
    std::scoped_lock const lock{mutex_};
    return counts_;
}

}  // namespace probekeeper::hub
