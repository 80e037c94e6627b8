#include "api/schemas.h"

#include <array>
#include <boost/json/parse.hpp>
#include <string>
#include <string_view>

namespace probekeeper::api {
namespace {

namespace json = boost::json;

struct Schema {
    std::string_view name, text;
};

// "?" behind a type word stands for "or null", "*" before a word for an array of it; see expand(). `T` is a
// time, `S` a string, `N` a number, `I` an integer, `B` a boolean, `O` any object; another word is a schema
// of this list. A member with "!" behind its name may be absent.
struct Members {
    std::string_view name, members;
};
constexpr std::array documents{
    Members{"Health",
            "status:HealthStatus version:S uptime_s:N store:StoreHealth lines:LinesHealth queues:Queues "
            "hub:HubHealth? "
            "clock_ahead_s:N warnings:*S"},
    Members{"StoreHealth", "status:S problem:S? bytes:I newest_reading:T?"},
    Members{"LinesHealth", "up:I down:I"},
    Members{"HubHealth", "state:HubState waiting:I hours_waiting:I oldest:T? last_contact:T?"},
    Members{"Queue", "length:I limit:I dropped:I"},
    Members{"Site",
            "id:S name:S? kind:S latitude:N longitude:N altitude_m:N salinity_psu:N pressure_hpa:N? "
            "time_zone:S address:S? probes:I conditions:Conditions"},
    Members{"Conditions",
            "good:I maintenance_required:I out_of_specification:I function_check:I failure:I unknown:I"},
    Members{"Probe",
            "id:S site:S line:S? unit:I? location:S? use:S serial:S? condition:Condition ne107:Ne107 "
            "service_state:ServiceState open_ticket:S? last_reading:Reading?"},
    Members{"Reading", "time:T do_mg_l:N? do_percent:N? temperature_c:N? flags:*Flag"},
    Members{"RawReadings", "time:*T do_mg_l:*N? do_percent:*N? temperature_c:*N? flags:*Flags next:S?"},
    Members{"ReadingSteps",
            "time:*T count:*I do_mg_l_min:*N? do_mg_l_mean:*N? do_mg_l_max:*N? do_percent_min:*N? "
            "do_percent_mean:*N? do_percent_max:*N? temperature_c_min:*N? temperature_c_mean:*N? "
            "temperature_c_max:*N? next:S?"},
    Members{
        "Diagnosis",
        "probe:S at:T condition:Condition ne107:Ne107 t90:T90? t90_unknown!:S background:Background? "
        "background_unknown!:S fluctuation:Fluctuation? fluctuation_unknown!:S span:Span? span_unknown!:S "
        "forecast:Forecast? next_evidence:S? service_state:ServiceState "
        "suitability:DiagnosedSuitability"},
    Members{"DiagnosedSuitability",
            "reading_interval_s:N? update_interval_s:N? resolution_mg_l:N? clips_at_zero:B? clips_at_mg_l:N? "
            "frozen_while_cleaning:B? damping_s:N? bits:Bits reasons:*PossibleReason"},
    Members{"Suitability",
            "probe:S at:T reading_interval_s:N? update_interval_s:N? resolution_mg_l:N? clips_at_zero:B? "
            "clips_at_mg_l:N? frozen_while_cleaning:B? damping_s:N? bits:Bits reasons:*PossibleReason"},
    Members{"Bits", "cleaning:S aeration:S hold:S fault:S"},
    Members{"PossibleReason", "reason:Reason possible:B why_not:S?"},
    Members{"T90",
            "value_s:N low_s:N? high_s:N? fresh_s:N? fresh:S? ratio:N? tests:I at_temperature_c:N at:T"},
    Members{"Background", "value_mg_l:N low_mg_l:N? high_mg_l:N? source:S at:T"},
    Members{"Fluctuation", "value_mg_l:N fresh_mg_l:N? ratio:N? shared_with_neighbours:N? at:T"},
    Members{"Span", "value_percent:N source:S at:T"},
    Members{"Forecast", "reason:Reason due:T earliest:T latest:T?"},
    Members{"ResponseTest",
            "time:T source:S model:S t90_s:N? low_s:N? high_s:N? at_temperature_c:N? t90_20_s:N? "
            "used:B set_aside:S?"},
    Members{"Record",
            "record:I time:T probe:S kind:RecordKind dry_zero_mg_l:N? dry_zero_found_mg_l:N? air_percent:N? "
            "reference_mg_l:N? reference_percent:N? probe_mg_l:N? pressure_hpa:N? serial:S? visit:S? by:S? "
            "note:S? voided:Voiding?"},
    Members{"TakenRecord",
            "record:I time:T probe:S kind:RecordKind dry_zero_mg_l:N? dry_zero_found_mg_l:N? air_percent:N? "
            "reference_mg_l:N? reference_percent:N? probe_mg_l:N? pressure_hpa:N? serial:S? visit:S? by:S? "
            "note:S? voided:Voiding? questions:*S still_to_do:*S"},
    Members{"RecordSheet", "rows:I kept:I repeated:I refused:I items:*SheetRow"},
    Members{"SheetRow", "line:I result:SheetResult message:S? record:TakenRecord?"},
    Members{"MonthReport",
            "site:S name:S? month:S time_zone:S from:T until:T complete:B made_at:T probes:*ProbeMonth "
            "tickets:*TicketMonth work:*WorkMonth membranes:*MembraneCount"},
    Members{
        "ProbeMonth",
        "id:S location:S? judged:N time:TimeShares response_tests:I response_tests_used:I reference_checks:I "
        "calibrations:I first_t90_s:N? last_t90_s:N?"},
    Members{"TimeShares",
            "good:N maintenance_required:N out_of_specification:N failure:N function_check:N unknown:N "
            "out_of_use:N"},
    Members{"TicketMonth", "id:S probe:S state:TicketState opened_at:T ended_at:T? reasons:*S how:S?"},
    Members{"WorkMonth", "at:T probe:S kind:RecordKind by:S? note:S?"},
    Members{"MembraneCount", "kind:S? count:I"},
    Members{"Voiding", "at:T why:S? by:S?"},
    Members{"NewVoiding", "why:S by!:S?"},
    Members{"OutOfUse", "number:I site:S probe:S? from:T until:T? why:S by:S? told_at:T ended_by:S?"},
    Members{"NewOutOfUse", "from!:T? until!:T? why:S by!:S?"},
    Members{"BackInUse", "until!:T? by!:S?"},
    Members{"Finding",
            "reason:Reason site:S? kind:S? closed:I looked:I as_diagnosed:I other_fault:I no_fault_found:I "
            "not_looked:I right:N? low:N? high:N?"},
    Members{"Instrument", "serial:S probe:S? site:S? stays:*Stay"},
    Members{"WholeInstrument",
            "serial:S probe:S? site:S? stays:*Stay membranes:*Membrane responses:*ResponseDay"},
    Members{"Stay", "probe:S? site:S? from:T? until:T?"},
    Members{"ResponseDay", "day:T probe:S t90_20_s:N? tests:I"},
    Members{
        "Membrane",
        "serial:S? probe:S site:S? membrane:S? kind:S installed:T ended:T? end:MembraneEnd? reason:Reason? "
        "days:N wipes:I"},
    Members{
        "MembraneStatistics",
        "kind:S? membrane:S? site:S? lives:I worn:I by_plan:I in_use:I median_days:N? curve:*SurvivalStep "
        "weibull:Weibull"},
    Members{"SurvivalStep", "days:N at_risk:I worn:I survival:N low:N? high:N?"},
    Members{"Weibull", "shape:N scale_days:N ln_shape_error:N? ln_scale_error:N? median_days:N"},
    Members{"PartsDemand", "weeks:*WeekNeed total:*PartNeed unknown_age:I"},
    Members{"WeekNeed", "from:T until:T parts:*PartNeed"},
    Members{"PartNeed", "part:S kind:S? asked_for:N expected:N stock:I"},
    Members{"NewRecord",
            "time!:T? probe!:S? kind:RecordKind dry_zero_mg_l!:N? dry_zero_found_mg_l!:N? "
            "air_percent!:N? reference_mg_l!:N? reference_percent!:N? probe_mg_l!:N? pressure_hpa!:N? "
            "serial!:S? visit!:S? by!:S? note!:S?"},
    Members{"Ticket",
            "id:S number:I site:S probe:S state:TicketState urgency:Urgency opened_at:T updated_at:T due:T? "
            "postponed_until:T? planned_for:S? assigned_to:S? seen:T? found:S? reasons:*TicketReason work:*S "
            "meanwhile:S? "
            "parts:*Part cautions:*S history:*HistoryEntry proof:Proof?"},
    Members{"Proof", "at:T work_at:T restored:B text:S figures:*ProofFigure"},
    Members{"ProofFigure", "quantity:S before:N? after:N? limit:N? unit:S"},
    Members{"TicketReason",
            "code:Reason raised_at:T since:T? cleared_at:T? value:N? low:N? high:N? limit:N? unit:S? "
            "probability:N? text:S"},
    Members{"Part", "part:S kind!:S quantity:I"},
    Members{"HistoryEntry", "at:T state:TicketState by:S note:S?"},
    Members{"Acknowledgement", "by:S note!:S?"},
    Members{"Planning", "by:S date:S assigned_to!:S?"},
    Members{"Postponement", "by:S until:T why:S"},
    Members{"Visit", "by:S outcome:VisitOutcome"},
    Members{"Nothing", ""},
    Members{"Closing", "by:S found:Found note!:S?"},
    Members{
        "Round",
        "week:S published_at:T? revision:I differs:B technicians:*RoundTechnician not_reached:*NotReached "
        "moved:*MovedVisit price:N bound:N? cut_short:B made_at:T planning:RoundPlanning?"},
    Members{"RoundPlanning", "share:N"},
    Members{"RoundTechnician", "technician:S name:S? time_zone:S days:*RoundDay joins:*JoinedDay load:*Part"},
    Members{"JoinedDay", "date:S technician:S"},
    Members{"RoundDay",
            "date:S depart:T home:T drive_minutes:I work_minutes:I with:*S lead:S? stops:*RoundStop"},
    Members{"RoundStop", "site:S name:S? address:S? access_notes:S? arrive:T leave:T jobs:*RoundJob"},
    Members{
        "RoundJob",
        "probe:S ticket:S? location:S? serial:S? work:*S minutes:I why_now:S evidence:S? pulled_forward:B "
        "life_price:N parts:*Part cautions:*S"},
    Members{"NotReached", "ticket:S? probe:S why:S"},
    Members{"MovedVisit", "site:S was_technician:S technician:S was:T now:T"},
    Members{"RoundStep", "by!:S?"},
    Members{"NewLink", "path:S"},
    Members{"Link", "path:S expires_at:T"},
    Members{"Change", "at:T who:S address:S method:S path:S status:I"},
    Members{"Step",
            "step:S state:StepState made_at:T who:S method:S path:S sites:*S waiting:*S at:T? status:I? "
            "answer:O?"},
    Members{"Problem", "type:S title:S status:I detail:S field!:S errors!:*FieldError steps!:*S position!:I"},
    Members{"FieldError", "field:S message:S"},
    Members{"Upload", "rows:I accepted:I repeated:I expired:I bad:I bad_rows:*BadRow first:T? last:T?"},
    Members{"BadRow", "line:I message:S"},
    Members{"ProblemType", "type:S status:I title:S"},
    Members{"SiteList", "items:*Site next:S?"},
    Members{"ProbeList", "items:*Probe next:S?"},
    Members{"ResponseTestList", "items:*ResponseTest next:S?"},
    Members{"RecordList", "items:*Record next:S?"},
    Members{"OutOfUseList", "items:*OutOfUse next:S?"},
    Members{"FindingList", "items:*Finding next:S?"},
    Members{"InstrumentList", "items:*Instrument next:S?"},
    Members{"MembraneList", "items:*Membrane next:S?"},
    Members{"MembraneStatisticsList", "items:*MembraneStatistics next:S?"},
    Members{"TicketList", "items:*Ticket next:S?"},
    Members{"ChangeList", "items:*Change next:S?"},
    Members{"ProblemTypeList", "items:*ProblemType next:S?"},
};

// Words. Clients must tolerate new ones; these are those of today.
constexpr std::array words{
    Members{"HealthStatus", "ok degraded failing"},
    Members{"HubState", "connecting connected catching_up unreachable refused"},
    Members{"Condition", "good maintenance_required out_of_specification function_check failure unknown"},
    Members{"ServiceState", "in_service in_hand settling awaiting_calibration out_of_use"},
    Members{"Flag", "cleaning aeration hold fault service out_of_range"},
    Members{"RecordKind",
            "membrane_change membrane_wipe electrode_clean air_calibration reference_check probe_swap "
            "moved settings_change inspection"},
    Members{"StepState", "waiting done"},
    Members{"SheetResult", "kept repeated refused"},
    Members{"TicketState", "open acknowledged planned serviced verified closed withdrawn"},
    Members{"MembraneEnd", "worn by_plan"},
    Members{"Urgency", "now this_week next_visit"},
    Members{"VisitOutcome", "done no_access waiting_parts waiting_customer"},
    Members{"Found", "as_diagnosed other_fault no_fault_found not_looked"},
    Members{"Reason",
            "slow_response background fluctuation span_error reference_disagreement temperature_fault "
            "no_signal membrane_damage stuck no_communication not_settled cleaning_failed verification_due"},
};

// What the short form cannot say.
constexpr std::array others{
    Schema{"AnyObject", R"({"type": "object"})"},
    Schema{"Ne107", R"({"enum": [null, "M", "S", "C", "F"]})"},
    Schema{"Flags", R"({"type": "array", "items": {"$ref": "#/components/schemas/Flag"}})"},
    Schema{"Queues", R"({"type": "object", "additionalProperties": {"$ref": "#/components/schemas/Queue"}})"},
    Schema{"Readings", R"({"oneOf": [{"$ref": "#/components/schemas/RawReadings"},
                                     {"$ref": "#/components/schemas/ReadingSteps"}]})"},
};

json::object reference(std::string_view name) {
    return {{"$ref", "#/components/schemas/" + std::string{name}}};
}

json::object expand(std::string_view type) {
    if (type.front() == '*') {
        return {{"type", "array"}, {"items", expand(type.substr(1))}};
    }
    bool const or_null = type.back() == '?';
    if (or_null) {
        type.remove_suffix(1);
    }
    std::string_view const word = type == "T" || type == "S" ? "string"
                                  : type == "N"              ? "number"
                                  : type == "I"              ? "integer"
                                  : type == "B"              ? "boolean"
                                  : type == "O"              ? "object"
                                                             : "";
    if (word.empty()) {
        return or_null ? json::object{{"anyOf", json::array{reference(type), json::object{{"type", "null"}}}}}
                       : reference(type);
    }
    json::object out;
    if (or_null) {
        out["type"] = json::array{word, "null"};
    } else {
        out["type"] = word;
    }
    if (type == "T") {
        out["format"] = "date-time";
    }
    return out;
}

template <typename Take>
void for_each_word(std::string_view text, Take const& take) {
    while (!text.empty()) {
        auto const end = std::min(text.find(' '), text.size());
        take(text.substr(0, end));
        text.remove_prefix(std::min(end + 1, text.size()));
    }
}

json::object object_of(std::string_view members) {
    json::object properties;
    json::array required;
    for_each_word(members, [&](std::string_view member) {
        auto const colon = member.find(':');
        auto name = member.substr(0, colon);
        bool const optional = name.back() == '!';
        if (optional) {
            name.remove_suffix(1);
        } else {
            required.emplace_back(name);
        }
        properties[name] = expand(member.substr(colon + 1));
    });
    return {{"type", "object"}, {"properties", std::move(properties)}, {"required", std::move(required)}};
}

json::object make() {
    json::object out;
    for (auto const& document : documents) {
        out[document.name] = object_of(document.members);
    }
    for (auto const& list : words) {
        json::array values;
        for_each_word(list.members, [&](std::string_view word) { values.emplace_back(word); });
        out[list.name] = json::object{{"type", "string"}, {"enum", std::move(values)}};
    }
    for (auto const& other : others) {
        out[other.name] = json::parse(other.text);
    }
    return out;
}

}  // namespace

json::object const& schemas() {
    static json::object const made = make();
    return made;
}

}  // namespace probekeeper::api
