// Long lists as they went out, to go out again for as long as nothing that they show has changed: to make one
// costs a hundred times what sending it does.
#pragma once

#include <cstddef>
#include <deque>
#include <memory>
#include <mutex>
#include <optional>
#include <string>

#include "api/backend.h"

namespace probekeeper::api {

// Thread-safe.
class AnswerCache {
public:
    struct Kept {
        DataVersion version;  // of what was shown, taken before it was read
        std::shared_ptr<std::string const> body;
        std::string etag;     // of the body as it is
        bool packed = false;  // the body is gzip
    };

    // The answer kept under `key`, if it is of `version`.
    [[nodiscard]] std::optional<Kept> find(std::string const& key, DataVersion const& version) const;
    // In place of what `key` had. The oldest go where all together would be more than most_bytes; an answer
    // that alone is more is not kept.
    void keep(std::string key, Kept kept);

    static constexpr std::size_t most_bytes = 8 * 1024 * 1024;

private:
    struct Entry {
        std::string key;
        Kept kept;
    };
    mutable std::mutex mutex_;   // guards the following
    std::deque<Entry> entries_;  // the newest last; few
    std::size_t bytes_ = 0;
};

}  // namespace probekeeper::api
