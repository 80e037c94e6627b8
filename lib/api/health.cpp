#include "api/handlers.h"

namespace probekeeper::api {

// 200 even when the daemon is failing: the answer is in "status", and an answer was given.
Response show_health(Call const& call, Backend& backend) {
    return json_response(to_json(value_of(call, backend.health())));
}

}  // namespace probekeeper::api
