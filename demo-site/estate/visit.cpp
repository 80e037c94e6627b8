#include "estate/visit.h"

#include <array>

namespace probekeeper::estate {
namespace {

// When each stage from found_in_air on begins, after the technician's arrival.
constexpr std::array<std::chrono::minutes, 6> begins{std::chrono::minutes{0},  std::chrono::minutes{4},
                                                     std::chrono::minutes{10}, std::chrono::minutes{30},
                                                     std::chrono::minutes{36}, std::chrono::minutes{42}};

}  // namespace

Stage Visit::stage_at(Timestamp now) const {
    int reached = 0;
    for (auto const after : begins) {
        reached += now >= begins_ + after ? 1 : 0;
    }
    return static_cast<Stage>(reached);
}

Timestamp Visit::begin_of(Stage stage) const {
    return begins_ + begins.at(static_cast<std::size_t>(stage) - 1);
}

physics::Place Visit::place(Stage stage) {
    switch (stage) {
        case Stage::before:
        case Stage::after:
            return physics::Place::water;
        case Stage::found_in_air:
        case Stage::settling_in_air:
        case Stage::calibrating:
            return physics::Place::air;
        case Stage::found_in_zero:
        case Stage::left_in_zero:
            return physics::Place::zero;
    }
    return physics::Place::water;
}

}  // namespace probekeeper::estate
