#include "rounds/instances.h"

#include <array>
#include <cmath>
#include <fstream>
#include <sstream>
#include <stdexcept>

#include "rounds/random.h"

namespace probekeeper::rounds {
namespace {

std::vector<std::vector<double>> rows_of(std::string const& file) {
    std::ifstream in{file};
    if (!in) {
        throw std::runtime_error("cannot read " + file);
    }
    std::vector<std::vector<double>> rows;
    bool header = true;
    for (std::string line; std::getline(in, line);) {
        if (line.starts_with('#')) {
            continue;
        }
        if (header) {
            header = false;
            continue;
        }
        std::istringstream cells{line};
        std::vector<double> row;
        for (std::string cell; std::getline(cells, cell, ',');) {
            row.push_back(std::stod(cell));
        }
        rows.push_back(std::move(row));
    }
    return rows;
}

// TSPLIB's GEO: degrees and minutes cut, not rounded, and its own pi.
double radians(double ddd_mm) {
    double const degrees = std::trunc(ddd_mm);
    return 3.141592 * (degrees + 5.0 * (ddd_mm - degrees) / 3.0) / 180.0;
}

Ticks geographic_way(std::vector<double> const& a, std::vector<double> const& b) {
    double const lat_a = radians(a[1]), lon_a = radians(a[2]), lat_b = radians(b[1]), lon_b = radians(b[2]);
    double const q1 = std::cos(lon_a - lon_b), q2 = std::cos(lat_a - lat_b), q3 = std::cos(lat_a + lat_b);
    return static_cast<Ticks>(6378.388 * std::acos(0.5 * ((1.0 + q1) * q2 - (1.0 - q1) * q3)) + 1.0);
}

}  // namespace

std::string data(std::string const& name) {
    return PROBEKEEPER_SOURCE_DIR "/tests/rounds/data/" + name;
}

Week tour_of(std::string const& csv, bool geographic) {
    auto const rows = rows_of(csv);
    auto const n = rows.size();
    Week week;
    week.places = static_cast<int>(n);
    for (std::size_t i = 0; i < n; ++i) {
        for (std::size_t j = 0; j < n; ++j) {
            week.travel.push_back(
                i == j ? 0
                : geographic
                    ? geographic_way(rows[i], rows[j])
                    : static_cast<Ticks>(std::hypot(rows[i][1] - rows[j][1], rows[i][2] - rows[j][2]) + 0.5));
        }
    }
    Shift shift;
    shift.close = 1'000'000;
    week.shifts.push_back(shift);
    for (std::size_t i = 1; i < n; ++i) {
        Visit visit;
        visit.place = static_cast<int>(i);
        visit.windows = {{0, 1'000'000}};
        visit.unserved = 1'000'000;
        week.visits.push_back(visit);
    }
    return week;
}

Week solomon_of(std::string const& csv, int scale, int vehicles) {
    auto const rows = rows_of(csv);
    auto const ticks = [&](double value) { return static_cast<Ticks>(value * scale); };
    Week week;
    week.places = static_cast<int>(rows.size());
    for (auto const& a : rows) {
        for (auto const& b : rows) {
            week.travel.push_back(ticks(std::hypot(a[1] - b[1], a[2] - b[2]) + 1e-9));
        }
    }
    Shift shift;
    shift.close = ticks(rows[0][5]);
    shift.capacity = 200;
    week.shifts.assign(static_cast<std::size_t>(vehicles), shift);
    for (std::size_t i = 1; i < rows.size(); ++i) {
        Visit visit;
        visit.place = static_cast<int>(i);
        visit.work = ticks(rows[i][6]);
        visit.load = static_cast<std::int32_t>(rows[i][3]);
        visit.windows = {{ticks(rows[i][4]), ticks(rows[i][5]) + visit.work}};  // due is the latest begin
        visit.unserved = 10'000'000;
        week.visits.push_back(visit);
    }
    return week;
}

Week made_week(std::uint64_t seed, int sites, int technicians, int depots) {
    Random random{seed};
    constexpr Ticks hour = 3600, day = 24 * hour;
    Week week;
    week.places = depots + sites;
    std::vector<std::array<double, 2>> at;
    for (int i = 0; i < week.places; ++i) {
        at.push_back({random.unit() * 120.0, random.unit() * 120.0});  // km
    }
    for (auto const& a : at) {
        for (auto const& b : at) {
            week.travel.push_back(
                static_cast<Ticks>(std::hypot(a[0] - b[0], a[1] - b[1]) * 1.3 / 60.0 * hour));
        }
    }
    for (int t = 0; t < technicians; ++t) {
        for (int d = 0; d < 5; ++d) {
            Shift shift;
            shift.start = shift.end = t % depots;
            shift.open = d * day + 8 * hour;
            shift.close = d * day + 18 * hour;
            shift.regular = shift.longest = 8 * hour;
            shift.per_drive = 10;
            shift.skills = t % 3 == 0 ? 1 : 0;
            shift.persons = {t};
            shift.day = d;
            week.shifts.push_back(shift);
        }
    }
    for (int i = 0; i < sites; ++i) {
        Visit visit;
        visit.place = depots + i;
        visit.work = static_cast<Ticks>(30 + random.below(60)) * 60;
        for (int d = 0; d < 5; ++d) {
            auto const kind = random.below(6);
            if (kind == 0) {
                continue;  // closed
            }
            auto const open = kind == 1 ? 13 : 8;
            auto const close = kind == 2 ? 12 : 18;
            visit.windows.push_back({d * day + open * hour, d * day + close * hour});
        }
        visit.rank = static_cast<int>(random.below(3));
        visit.skills = random.one_in(8) ? 1 : 0;
        auto const urgency = random.below(10);
        visit.unserved = urgency == 0 ? 2'000'000 : urgency < 5 ? 500'000 : 120'000;
        for (auto const& shift : week.shifts) {
            visit.in_shift.push_back(urgency == 0 ? 100'000 * shift.day : 0);
        }
        week.visits.push_back(std::move(visit));
    }
    return week;
}

}  // namespace probekeeper::rounds
