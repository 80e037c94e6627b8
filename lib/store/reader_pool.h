// Readers for the threads that answer requests: lent one at a time, opened when first needed, kept open.
#pragma once

#include <condition_variable>
#include <mutex>

#include "store/reader.h"

namespace probekeeper::store {

// Thread-safe. Must outlive what it has lent.
class ReaderPool {
public:
    class Lease {
    public:
        Lease(ReaderPool& pool, Reader reader) : pool_{&pool}, reader_{std::move(reader)} {}
        ~Lease() {
            if (pool_ != nullptr) {
                pool_->give_back(std::move(reader_));
            }
        }
        Lease(Lease&& other) noexcept
            : pool_{std::exchange(other.pool_, nullptr)}, reader_{std::move(other.reader_)} {}
        Lease& operator=(Lease&&) = delete;
        Reader* operator->() { return &reader_; }
        Reader& operator*() { return reader_; }

    private:
        ReaderPool* pool_;
        Reader reader_;
    };

    // At most `most` are out at a time.
    ReaderPool(std::filesystem::path path, std::size_t most) : path_{std::move(path)}, most_{most} {}
    // Waits until one is free. Fails as Reader::open does.
    [[nodiscard]] Result<Lease> lend();

private:
    void give_back(Reader reader);

    std::filesystem::path path_;
    std::size_t most_;
    std::mutex mutex_;  // guards the following
    std::condition_variable returned_;
    std::vector<Reader> free_;
    std::size_t lent_ = 0;
};

}  // namespace probekeeper::store
