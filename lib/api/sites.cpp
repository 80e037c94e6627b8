#include "api/handlers.h"

namespace probekeeper::api {

Response list_sites(Call const& call, Backend& backend) {
    return list_response(value_of(call, backend.sites(call.caller.sites, call.query.page())));
}

Response show_site(Call const& call, Backend& backend) {
    return json_response(to_json(value_of(call, backend.site(call.ids[0]))));
}

}  // namespace probekeeper::api
