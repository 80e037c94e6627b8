#include "api/guard.h"
#include "api/handlers.h"

namespace probekeeper::api {
namespace {

boost::json::object written(Change const& change) {
    return {{"at", to_rfc3339(change.at)}, {"who", change.who},   {"address", change.address},
            {"method", change.method},     {"path", change.path}, {"status", change.status}};
}

}  // namespace

Response make_link(Call const& call, Backend&) {
    document::Fields fields{call.body, {"path"}};
    auto const path = fields.required_text("path", 2000);
    if (!fields.errors().empty()) {
        throw invalid_fields(fields.errors());
    }
    auto const made = call.guard->make_link(call.caller, path, call.now);
    return json_response(
        boost::json::object{{"path", made.path}, {"expires_at", to_rfc3339(made.expires_at)}}, 201);
}

Response list_changes(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.changes(call.query.page())), written);
}

}  // namespace probekeeper::api
