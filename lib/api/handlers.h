// The handlers, each a function from a request and the backend to a response. They throw Problem. routes.cpp
// says which path each answers; each subject has a file.
#pragma once

#include "api/call.h"

namespace probekeeper::api {

// In problem.cpp and openapi.cpp.
Response list_problem_types(Call const& call, Backend& backend);
Response show_problem_type(Call const& call, Backend& backend);
Response show_openapi(Call const& call, Backend& backend);

// In access.cpp.
Response make_link(Call const& call, Backend& backend);
Response list_changes(Call const& call, Backend& backend);

Response show_step(Call const& call, Backend& backend);  // in steps.cpp
// What a command is answered that another daemon is to do: as that answered, or 202 with the step as above.
[[nodiscard]] Response step_response(StepReport const& report);

Response list_scada_points(Call const& call, Backend& backend);  // in scada.cpp

Response show_metrics(Call const& call, Backend& backend);  // in health.cpp

Response show_health(Call const& call, Backend& backend);

Response list_sites(Call const& call, Backend& backend);
Response show_site(Call const& call, Backend& backend);

Response list_probes(Call const& call, Backend& backend);
Response show_probe(Call const& call, Backend& backend);
Response show_diagnosis(Call const& call, Backend& backend);
Response show_suitability(Call const& call, Backend& backend);
Response draw_chart(Call const& call, Backend& backend);
Response list_response_tests(Call const& call, Backend& backend);

Response show_readings(Call const& call, Backend& backend);
Response add_readings(Call const& call, Backend& backend);

Response list_service_records(Call const& call, Backend& backend);
Response add_service_record(Call const& call, Backend& backend);
Response add_service_records(Call const& call, Backend& backend);
Response void_service_record(Call const& call, Backend& backend);

Response list_probe_out_of_use(Call const& call, Backend& backend);
Response park_probe(Call const& call, Backend& backend);
Response end_probe_out_of_use(Call const& call, Backend& backend);
Response list_site_out_of_use(Call const& call, Backend& backend);
Response park_site(Call const& call, Backend& backend);
Response end_site_out_of_use(Call const& call, Backend& backend);

// In lessons.cpp.
Response list_findings(Call const& call, Backend& backend);
Response list_instruments(Call const& call, Backend& backend);
Response show_instrument(Call const& call, Backend& backend);
Response list_membranes(Call const& call, Backend& backend);
Response list_membrane_statistics(Call const& call, Backend& backend);
Response show_parts_demand(Call const& call, Backend& backend);

Response show_month(Call const& call, Backend& backend);
Response print_month(Call const& call, Backend& backend);

Response list_tickets(Call const& call, Backend& backend);
Response show_ticket(Call const& call, Backend& backend);
Response acknowledge_ticket(Call const& call, Backend& backend);
Response plan_ticket(Call const& call, Backend& backend);
Response postpone_ticket(Call const& call, Backend& backend);
Response visit_ticket(Call const& call, Backend& backend);
Response close_ticket(Call const& call, Backend& backend);
Response see_ticket(Call const& call, Backend& backend);

Response show_round(Call const& call, Backend& backend);
Response show_round_html(Call const& call, Backend& backend);
Response show_round_ics(Call const& call, Backend& backend);
Response show_round_csv(Call const& call, Backend& backend);
Response publish_round(Call const& call, Backend& backend);
Response replan_round(Call const& call, Backend& backend);

}  // namespace probekeeper::api
