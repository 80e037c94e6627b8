// The answer to a request with an Idempotency-Key, on its way to the store.
#pragma once

#include <optional>
#include <vector>

#include "api/backend.h"
#include "store/values.h"

namespace probekeeper::live {

// For store::Changes::answers.
[[nodiscard]] inline std::vector<store::KeptAnswer> kept(std::optional<api::KeptAnswer> const& answer,
                                                         Timestamp at) {
    if (!answer) {
        return {};
    }
    return {{answer->token, answer->path, answer->key, answer->body_hash, answer->status, answer->body, at}};
}

}  // namespace probekeeper::live
