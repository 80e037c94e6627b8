#include "api/answer_cache.h"

#include <algorithm>

namespace probekeeper::api {
namespace {

constexpr std::size_t most_entries = 64;

}  // namespace

std::optional<AnswerCache::Kept> AnswerCache::find(std::string const& key, DataVersion const& version) const {
    std::scoped_lock const lock{mutex_};
    auto const found =
        std::find_if(entries_.begin(), entries_.end(), [&](Entry const& entry) { return entry.key == key; });
    bool const holds = found != entries_.end() && found->kept.version == version;
    return holds ? std::optional{found->kept} : std::nullopt;
}

void AnswerCache::keep(std::string key, Kept kept) {
    std::scoped_lock const lock{mutex_};
    auto const drop = [&](std::deque<Entry>::iterator const& entry) {
        bytes_ -= entry->kept.body->size();
        entries_.erase(entry);
    };
    auto const before =
        std::find_if(entries_.begin(), entries_.end(), [&](Entry const& entry) { return entry.key == key; });
    if (before != entries_.end()) {
        drop(before);
    }
    auto const size = kept.body->size();
    if (size > most_bytes) {
        return;
    }
    while (bytes_ + size > most_bytes || entries_.size() == most_entries) {
        drop(entries_.begin());
    }
    bytes_ += size;
    entries_.push_back({std::move(key), std::move(kept)});
}

}  // namespace probekeeper::api
