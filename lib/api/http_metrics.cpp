#include "api/http_metrics.h"

namespace probekeeper::api {

void HttpMetrics::write(MetricsText& out) const {
    using enum MetricsText::Type;
    constexpr std::array<std::string_view, 5> classes{"1xx", "2xx", "3xx", "4xx", "5xx"};
    out.family("http_answers", counter, "", "HTTP answers by class of status");
    for (std::size_t i = 1; i < classes.size(); ++i) {
        out.sample({{"status", classes[i]}}, static_cast<double>(answers[i].load()));
    }
    out.family("http_answer_seconds", histogram, "seconds", "From a whole HTTP request to its answer");
    out.sample({}, took);
    out.family("http_connections", gauge, "", "Open HTTP connections");
    out.sample({}, static_cast<double>(connections.load()));
    out.family("event_clients", gauge, "", "Clients that listen to /v1/events");
    out.sample({}, static_cast<double>(event_clients.load()));
    out.family("event_clients_dropped", counter, "", "Event clients that were too slow and were dropped");
    out.sample({}, static_cast<double>(event_clients_dropped.load()));
    out.family("events_sent", counter, "", "Events written, counted for each client");
    out.sample({}, static_cast<double>(events_sent.load()));
}

}  // namespace probekeeper::api
