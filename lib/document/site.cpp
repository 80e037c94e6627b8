#include "document/site.h"

#include <numeric>

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {

namespace json = boost::json;

static_assert(static_cast<std::size_t>(diagnosis::Condition::unknown) + 1 == condition_count);

json::object to_json(Site const& site) {
    json::object conditions;
    for (std::size_t i = 0; i < condition_count; ++i) {
        conditions[diagnosis::to_word(static_cast<diagnosis::Condition>(i))] = site.probes[i];
    }
    auto const& f = site.facts;
    return {{"id", f.id},
            {"name", text_or_null(f.name)},
            {"kind", fleet::to_word(f.kind)},
            {"latitude", exact_number(f.latitude)},
            {"longitude", exact_number(f.longitude)},
            {"altitude_m", exact_number(f.altitude_m)},
            {"salinity_psu", exact_number(f.salinity_psu)},
            {"pressure_hpa", exact_number(f.pressure_hpa)},
            {"time_zone", f.time_zone},
            {"address", text_or_null(f.address)},
            {"probes", std::accumulate(site.probes.begin(), site.probes.end(), std::size_t{0})},
            {"conditions", std::move(conditions)}};
}

std::optional<fleet::Site> site_facts_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        fleet::Site site;
        site.id = text_in(object, "id");
        site.name = text_in(object, "name");
        site.kind = word_in(object, "kind", by_word(fleet::SiteKind::wastewater));
        site.latitude = number_in(object, "latitude");
        site.longitude = number_in(object, "longitude");
        site.altitude_m = number_in(object, "altitude_m");
        site.salinity_psu = number_in(object, "salinity_psu");
        site.pressure_hpa = maybe_number_in(object, "pressure_hpa");
        site.time_zone = text_in(object, "time_zone");
        site.address = text_in(object, "address");
        return site;
    });
}

}  // namespace probekeeper::document
