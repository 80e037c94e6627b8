// What diagnosis must be told of a probe and its site before the first reading. Plain values out of the
// configuration; nothing here changes with the readings.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace probekeeper::diagnosis {

struct Limits {
    double t90_ratio = 2.0;
    double background_mg_l = 0.1;
    double background_water_mg_l = 0.2;
    double fluctuation_ratio = 3.0;
    double span_percent = 5.0;
    double span_measured_percent = 5.0;  // where readings come with the air's pressure
    double reference_percent = 10.0;
    double reference_mg_l = 0.3;
    double no_reading_minutes = 15.0;
    double no_reading_ticket_minutes = 240.0;
    double evidence_days = 30.0;
    double horizon_days = 14.0;
};

// How quickly probes at the site coat, from membrane lives that have ended: ln T90 a day, as a mean and a
// standard deviation over lives. It sharpens forecasts while the probe's own tests are few. Unless told: they
// may as well not coat at all.
struct CoatingPrior {
    double slope_per_day = 0.0, error = 0.02;
};

struct ProbeSetup {
    std::string id;
    double poll_s = 5.0;
    std::optional<double> t90_s;          // at 20 degC, expected when freshly serviced
    std::vector<std::size_t> neighbours;  // places in SiteSetup::probes of probes in the same water
    std::int64_t expected_from_ms = 0;    // its silence counts from here, until it reads for the first time
    std::size_t line = no_line;      // probes with the same number fall silent together; no_line: CSV only,
                                     // silent against the others of that kind
    bool pressure_measured = false;  // surely; else only where readings bring it, or weather moves what 100 %
                                     // in air means by up to 3 %
    Limits limits;

    static constexpr std::size_t no_line = static_cast<std::size_t>(-1);
};

struct SiteSetup {
    std::string id;
    std::vector<ProbeSetup> probes;  // sorted by id: readings of one instant come in this order
};

}  // namespace probekeeper::diagnosis
