#include "diagnosis/verdict.h"

#include <catch2/catch.hpp>
#include <set>

namespace probekeeper::diagnosis {

TEST_CASE("every reason has a word of its own that leads back to it", "[diagnosis][verdict]") {
    std::set<std::string_view> words;
    for (std::size_t i = 0; i < reason_count; ++i) {
        auto const reason = static_cast<Reason>(i);
        words.insert(to_word(reason));
        CHECK(reason_of(to_word(reason)) == reason);
    }
    CHECK(words.size() == reason_count);
    CHECK_FALSE(reason_of("slow"));
    CHECK_FALSE(reason_of(""));
}

TEST_CASE("each reason gives the condition and NE 107 letter that the interface promises",
          "[diagnosis][verdict]") {
    struct Row {
        std::string_view reason, condition, ne107;
    };
    Row const promised[] = {
        {"slow_response", "maintenance_required", "M"},
        {"background", "out_of_specification", "S"},
        {"fluctuation", "maintenance_required", "M"},
        {"span_error", "out_of_specification", "S"},
        {"reference_disagreement", "out_of_specification", "S"},
        {"temperature_fault", "out_of_specification", "S"},
        {"no_signal", "failure", "F"},
        {"membrane_damage", "failure", "F"},
        {"stuck", "failure", "F"},
        {"no_communication", "failure", "F"},
        {"not_settled", "function_check", "C"},
        {"cleaning_failed", "maintenance_required", "M"},
        {"verification_due", "unknown", ""},
    };
    CHECK(std::size(promised) == reason_count);
    for (auto const& row : promised) {
        CAPTURE(row.reason);
        auto const reason = reason_of(row.reason);
        REQUIRE(reason);
        CHECK(to_word(condition_of(*reason)) == row.condition);
        CHECK(ne107_of(condition_of(*reason)) == row.ne107);
    }
    CHECK(ne107_of(Condition::good).empty());
}

TEST_CASE("states, sources and models are written as the interface lists them", "[diagnosis][verdict]") {
    CHECK(to_word(Condition::good) == "good");
    CHECK(to_word(ServiceState::in_service) == "in_service");
    CHECK(to_word(ServiceState::in_hand) == "in_hand");
    CHECK(to_word(ServiceState::settling) == "settling");
    CHECK(to_word(ServiceState::awaiting_calibration) == "awaiting_calibration");
    CHECK(to_word(ServiceState::out_of_use) == "out_of_use");
    CHECK(to_word(TestSource::cleaning) == "cleaning");
    CHECK(to_word(TestSource::air_exposure) == "air_exposure");
    CHECK(to_word(TestSource::aeration_off) == "aeration_off");
    CHECK(to_word(TestSource::aeration_on) == "aeration_on");
    CHECK(to_word(TestSource::neighbour) == "neighbour");
    CHECK(to_word(ResponseModel::first_order) == "first_order");
    CHECK(to_word(ResponseModel::membrane) == "membrane");
}

}  // namespace probekeeper::diagnosis
