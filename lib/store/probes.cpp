#include "store/probes.h"

#include <spdlog/fmt/fmt.h>

namespace probekeeper::store {

std::vector<KnownProbe> known_probes(Database& db) {
    Query query{db,
                "SELECT probe_key, probe_id, site_id, first_seen_ms, removed_at_ms, water_salinity_psu, "
                "water_pressure_hpa FROM probes"
                " ORDER BY probe_id"};
    std::vector<KnownProbe> found;
    while (query.row()) {
        KnownProbe probe;
        probe.key = static_cast<ProbeKey>(query.integer());
        probe.id = query.text();
        probe.site = query.text();
        probe.first_seen = query.time();
        probe.removed_at = query.maybe_time();
        probe.water.salinity_psu = query.maybe_real().value_or(probe.water.salinity_psu);
        probe.water.pressure_hpa = query.maybe_real().value_or(probe.water.pressure_hpa);
        found.push_back(std::move(probe));
    }
    return found;
}

std::optional<ProbeKey> find_key(Database& db, std::string_view probe) {
    Query query{db, "SELECT probe_key FROM probes WHERE probe_id = ?", probe};
    return query.row() ? std::optional{static_cast<ProbeKey>(query.integer())} : std::nullopt;
}

ProbeKey key_of(Database& db, std::string_view probe) {
    auto const key = find_key(db, probe);
    if (!key) {
        refuse(Fault::conflict,
               fmt::format("store '{}' knows no probe '{}': enrol the fleet before writing about it",
                           db.path().string(), probe));
    }
    return *key;
}

std::vector<ProbeKey> enrol_probes(Database& db, std::vector<FleetProbe> const& fleet, Timestamp now) {
    // First everybody is gone, then the fleet comes back; who was gone already keeps the day.
    Query{db, "UPDATE probes SET removed_at_ms = ? WHERE removed_at_ms IS NULL", now}.run();
    std::vector<ProbeKey> keys;
    for (auto const& probe : fleet) {
        Query{db,
              "INSERT INTO probes (probe_key, probe_id, site_id, first_seen_ms, water_salinity_psu, "
              "water_pressure_hpa)"
              " VALUES ((SELECT ifnull(max(probe_key), 0) + 1 FROM probes), ?, ?, ?, ?, ?)"
              " ON CONFLICT (probe_id) DO UPDATE SET site_id = excluded.site_id, removed_at_ms = NULL,"
              " water_salinity_psu = excluded.water_salinity_psu, water_pressure_hpa = "
              "excluded.water_pressure_hpa",
              probe.id,
              probe.site,
              now,
              probe.water.salinity_psu,
              probe.water.pressure_hpa}
            .run();
        keys.push_back(key_of(db, probe.id));
    }
    return keys;
}

}  // namespace probekeeper::store
