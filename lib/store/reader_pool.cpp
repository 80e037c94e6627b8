#include "store/reader_pool.h"

namespace probekeeper::store {

Result<ReaderPool::Lease> ReaderPool::lend() {
    std::unique_lock lock{mutex_};
    returned_.wait(lock, [&] { return lent_ < most_; });
    ++lent_;
    if (!free_.empty()) {
        auto reader = std::move(free_.back());
        free_.pop_back();
        return Lease{*this, std::move(reader)};
    }
    lock.unlock();
    auto opened = Reader::open(path_);
    if (opened.has_error()) {
        lock.lock();
        --lent_;
        returned_.notify_one();
        return opened.error();
    }
    return Lease{*this, std::move(*opened)};
}

void ReaderPool::give_back(Reader reader) {
    std::lock_guard const lock{mutex_};
    --lent_;
    free_.push_back(std::move(reader));
    returned_.notify_one();
}

}  // namespace probekeeper::store
