// What the backend's parts refuse in the same words.
#pragma once

#include "api/backend.h"

namespace probekeeper::live {

[[nodiscard]] inline api::Refusal bad_position() {
    return {api::Refusal::Kind::invalid, "not a position that an earlier page gave as next", "after", {}};
}

// What the store said may name its file, which is the log's business and not the client's.
[[nodiscard]] inline api::Refusal unreadable() {
    return {api::Refusal::Kind::unavailable, "the store cannot be read just now", {}, {}};
}

}  // namespace probekeeper::live
