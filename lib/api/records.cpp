#include "api/handlers.h"

namespace probekeeper::api {
namespace {

boost::json::object written(service::KeptRecord const& record) {
    return document::to_json(record);
}

}  // namespace

Response list_service_records(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.service_records(call.ids[0], call.query.page())));
}

Response add_service_record(Call const& call, Backend& backend) {
    auto const record = document::parse_record(call.body, call.ids[0], call.now);
    if (!record) {
        throw invalid_fields(record.error());
    }
    auto const kept =
        value_of(call, backend.add_record(*record, keep<service::KeptRecord>(call, 201, &written)));
    return json_response(written(kept), 201);
}

}  // namespace probekeeper::api
