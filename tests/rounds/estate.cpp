#include "rounds/estate.h"

namespace probekeeper::rounds {
namespace {

fleet::Site site(std::string const& id, double latitude, fleet::Biosecurity biosecurity) {
    fleet::Site site;
    site.id = id;
    site.name = id + " works";
    site.latitude = latitude;
    site.longitude = -3.0;
    site.time_zone = "Europe/London";
    site.address = "1 " + id + " Lane";
    site.access.windows.fill({fleet::HourSpan{}});
    site.access.biosecurity = biosecurity;
    return site;
}

fleet::Technician technician(std::string const& id) {
    fleet::Technician technician;
    technician.id = id;
    technician.name = "Technician " + id;
    for (std::size_t d = 0; d < 7; ++d) {
        technician.hours[d] = fleet::HourSpan{480, 1020};
    }
    return technician;
}

}  // namespace

Timestamp at(std::string const& rfc3339) {
    return *parse_rfc3339(rfc3339);
}

fleet::Fleet small_estate() {
    fleet::Fleet fleet;
    fleet.depots.push_back({"north", "Northern yard", "", 54.0, -3.0, "Europe/London"});
    fleet.technicians = {technician("t1"), technician("t2")};
    fleet.sites = {site("a", 54.1, fleet::Biosecurity::clean), site("b", 54.2, fleet::Biosecurity::clean),
                   site("c", 54.15, fleet::Biosecurity::wastewater),
                   site("d", 54.3, fleet::Biosecurity::suspect)};
    for (std::size_t s = 0; s < fleet.sites.size(); ++s) {
        for (auto const* number : {"-1", "-2"}) {
            fleet::Probe probe;
            probe.id = fleet.sites[s].id + number;
            probe.site = static_cast<fleet::SiteIndex>(s);
            probe.location = "tank" + std::string{number};
            probe.serial = "GX" + std::string{number};
            fleet.probes.push_back(probe);
        }
    }
    return fleet;
}

service::Ticket ticket_at(std::string const& site, service::Urgency urgency, std::string const& due) {
    service::Ticket ticket;
    ticket.id = site + "-7";
    ticket.number = 7;
    ticket.site = site;
    ticket.probe = site + "-1";
    ticket.urgency = urgency;
    if (!due.empty()) {
        ticket.due = at(due);
    }
    ticket.work = {"wipe_membrane", "change_membrane_and_o_ring", "let_settle", "air_calibration"};
    ticket.parts = {{"membrane", "cap-25um", 1}, {"o_ring", "", 1}, {"electrolyte_ml", "", 5}};
    ticket.cautions = {"Electrolyte is caustic: gloves and goggles."};
    service::TicketReason reason;
    reason.finding.text = "T90 is 92 s, 2.2 times its 41 s when freshly serviced";
    ticket.reasons.push_back(reason);
    return ticket;
}

Asked asked_for(std::string const& week, std::string const& now, std::vector<service::Ticket> tickets) {
    Asked asked;
    asked.week = *zone::parse_week(week);
    asked.now = at(now);
    asked.tickets = std::move(tickets);
    return asked;
}

}  // namespace probekeeper::rounds
