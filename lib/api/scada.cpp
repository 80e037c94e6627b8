// What a SCADA system's engineer needs to set up the Modbus server's tags.
#include "api/handlers.h"

namespace probekeeper::api {

Response list_scada_points(Call const& call, Backend& backend) {
    ProbeFilter filter;
    filter.site = call.query.id("site");
    filter.sites = call.caller.sites;
    return {200, "text/csv; charset=utf-8", value_of(call, backend.scada_points(filter)), {}};
}

}  // namespace probekeeper::api
