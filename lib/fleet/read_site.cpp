#include "fleet/time_zone.h"
#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

constexpr std::pair<std::string_view, SiteKind> kinds[] = {{"aquaculture", SiteKind::aquaculture},
                                                           {"wastewater", SiteKind::wastewater}};

}  // namespace

WrittenSite read_site(Section& section) {
    WrittenSite written;
    written.where = section.where();
    written.id = section.id("id");
    auto& site = written.site;
    site.id = written.id ? written.id->value : "";
    site.name = section.text("name").value_or(site.id);
    site.kind = section.word<SiteKind>("kind", kinds).value_or(SiteKind::aquaculture);
    site.latitude = section.number("latitude", -90.0, 90.0).value_or(0.0);
    site.longitude = section.number("longitude", -180.0, 180.0).value_or(0.0);
    site.altitude_m = section.number("altitude_m", -500.0, 9000.0).value_or(0.0);
    site.salinity_psu = section.number("salinity_psu", 0.0, 50.0).value_or(0.0);
    site.pressure_hpa = section.number("pressure_hpa", 500.0, 1100.0);
    site.time_zone = section.text("time_zone").value_or("UTC");
    if (auto problem = time_zone_problem(site.time_zone)) {
        section.wrong("time_zone", std::move(*problem));
    }
    site.address = section.text("address").value_or("");
    site.access_notes = section.text("access_notes").value_or("");
    auto const usual = site.kind == SiteKind::wastewater ? Biosecurity::wastewater : Biosecurity::clean;
    site.access.biosecurity = usual;
    site.access.windows.fill({HourSpan{}});
    if (auto access = section.table("access", "[site.access]")) {
        site.access = read_access(*access, usual);
    }
    if (auto limits = section.table("limits", "[site.limits]")) {
        written.limits = read_limits(*limits);
    }
    section.need({"id", "kind"});
    section.finish();
    return written;
}

}  // namespace probekeeper::fleet
