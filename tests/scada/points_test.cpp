#include "scada/points.h"

#include <algorithm>
#include <catch2/catch.hpp>

#include "scada/layout.h"

namespace probekeeper::scada {
namespace {

constexpr auto now = Timestamp{Millis{1'800'000'000'000}};

// Registers that a block without anything to tell would not show as 0.
std::vector<bool> used_by(std::span<std::uint16_t const> block) {
    std::vector<bool> used(block.size());
    std::transform(block.begin(), block.end(), used.begin(), [](std::uint16_t word) { return word != 0; });
    return used;
}

void check_all_listed(std::vector<bool> const& used, std::span<Point const> points) {
    std::vector<int> listed(used.size());
    for (auto const& point : points) {
        for (std::size_t i = 0; i < width_of(point.type); ++i) {
            ++listed.at(point.offset + i);
        }
    }
    for (std::size_t i = 0; i < used.size(); ++i) {
        CAPTURE(i);
        CHECK(listed[i] <= 1);
        CHECK((!used[i] || listed[i] == 1));
    }
}

TEST_CASE("every register that is served stands in the list, once", "[scada][points]") {
    ProbeNow probe;
    probe.number = 1;
    probe.id = std::string(48, 'x');
    probe.condition = diagnosis::Condition::failure;
    probe.state = diagnosis::ServiceState::in_hand;
    probe.reasons = 3;
    probe.ticket =
        ProbeNow::Ticket{70'000, service::State::open, service::Urgency::now, now + days(3.0), false};
    Image const image{{{{1, probe.id, 1, 1}}, {probe}, now}, 9};
    check_all_listed(used_by(image.registers(1).subspan(0, 100)), summary_points());
    check_all_listed(used_by(image.registers(1).subspan(100, 100)), probe_points());
    check_all_listed(used_by(image.registers(first_site_unit).subspan(100, 100)), site_points());
}

TEST_CASE("the list says where each tag stands and which can be written", "[scada][points]") {
    auto const csv = points_csv({{1, "farm"}}, {{1, "tank-1"}, {601, "tank-601"}}, true);
    for (auto const* row :
         {"all.heartbeat,1,holding,1,uint16,1,s,no,", "farm.tickets,201,holding,110,uint16,1,,no,",
          "farm.has_ticket,201,discrete,22,bit,1,,no,", "tank-1.oxygen,1,holding,110,int16,0.01,mg/L,no,",
          "tank-1.oxygen_float,1,holding,120,float32,1,mg/L,no,", "tank-1.seen,1,holding,168,uint16,1,,yes,",
          "tank-601.ticket,2,holding,106,uint32,1,,no,"}) {
        CAPTURE(row);
        CHECK(csv.find(std::string{"\n"} + row) != std::string::npos);
    }
    CHECK(points_csv({}, {{1, "tank-1"}}, false).find(",yes,") == std::string::npos);
}

}  // namespace
}  // namespace probekeeper::scada
