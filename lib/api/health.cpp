#include "api/handlers.h"
#include "api/http_metrics.h"

namespace probekeeper::api {

// 200 even when the daemon is failing: the answer is in "status", and an answer was given.
Response show_health(Call const& call, Backend& backend) {
    return json_response(to_json(value_of(call, backend.health())));
}

Response show_metrics(Call const& call, Backend& backend) {
    MetricsText text;
    backend.write_metrics(text);
    call.http->write(text);
    return {200, "application/openmetrics-text; version=1.0.0; charset=utf-8", text.finish(), {}};
}

}  // namespace probekeeper::api
