#include "document/site.h"

#include <numeric>

#include "document/number.h"

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

}  // namespace probekeeper::document
