#include "rounds/travel.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace probekeeper::rounds {

double great_circle_km(double latitude_a, double longitude_a, double latitude_b, double longitude_b) {
    constexpr double radius_km = 6371.0088;
    constexpr double degree = std::numbers::pi / 180.0;
    double const up = std::sin((latitude_b - latitude_a) * degree / 2.0);
    double const along = std::sin((longitude_b - longitude_a) * degree / 2.0);
    double const h = up * up + std::cos(latitude_a * degree) * std::cos(latitude_b * degree) * along * along;
    return 2.0 * radius_km * std::asin(std::min(1.0, std::sqrt(h)));
}

std::vector<Ticks> travel_of(fleet::Fleet const& fleet) {
    struct Spot {
        std::string const* id;
        double latitude, longitude;
    };
    std::vector<Spot> spots;
    for (auto const& depot : fleet.depots) {
        spots.push_back({&depot.id, depot.latitude, depot.longitude});
    }
    for (auto const& site : fleet.sites) {
        spots.push_back({&site.id, site.latitude, site.longitude});
    }
    auto const& rounds = fleet.rounds;
    std::vector<Ticks> travel;
    for (auto const& a : spots) {
        for (auto const& b : spots) {
            auto const written = rounds.travel_minutes.find({*a.id, *b.id});
            double const km = great_circle_km(a.latitude, a.longitude, b.latitude, b.longitude);
            double const minutes = written != rounds.travel_minutes.end()
                                       ? written->second
                                       : km * rounds.road_factor / rounds.speed_km_h * 60.0;
            travel.push_back(&a == &b ? 0 : static_cast<Ticks>(std::lround(minutes * 60.0)));
        }
    }
    return travel;
}

}  // namespace probekeeper::rounds
