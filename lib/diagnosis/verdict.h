// What diagnosis says of a probe: plain values, written as JSON by document/ and turned into tickets by
// service/.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"

namespace probekeeper::diagnosis {

enum class Condition : std::uint8_t {
    good,
    maintenance_required,
    out_of_specification,
    function_check,
    failure,
    unknown
};
enum class ServiceState : std::uint8_t { in_service, in_hand, settling, awaiting_calibration, out_of_use };

// Why a probe needs somebody, in the order of the table in the interface. How strong one is: the severity()
// of its condition_of().
enum class Reason : std::uint8_t {
    slow_response,
    background,
    fluctuation,
    span_error,
    reference_disagreement,
    temperature_fault,
    no_signal,
    membrane_damage,
    stuck,
    no_communication,
    not_settled,
    cleaning_failed,
    verification_due
};
inline constexpr std::size_t reason_count = 13;

enum class TestSource : std::uint8_t { cleaning, air_exposure, aeration_off, aeration_on, neighbour };
enum class ResponseModel : std::uint8_t { first_order, membrane };

[[nodiscard]] std::string_view to_word(Condition c);
[[nodiscard]] std::string_view to_word(ServiceState s);
[[nodiscard]] std::string_view to_word(Reason r);
[[nodiscard]] std::string_view to_word(TestSource s);
[[nodiscard]] std::string_view to_word(ResponseModel m);
[[nodiscard]] std::optional<Reason> reason_of(std::string_view word);
// The condition that a reason gives, and its NE 107 letter: "M", "S", "C", "F" or empty.
[[nodiscard]] Condition condition_of(Reason r);
[[nodiscard]] std::string_view ne107_of(Condition c);
// 0 (good) to 5 (failure). NE 107 names four signals and no order among them; ours puts what cannot be read
// before what can.
[[nodiscard]] int severity(Condition c);

// One response test found in ordinary operation. Intervals are 90 %.
struct ResponseTest {
    Timestamp time{};
    TestSource source = TestSource::cleaning;
    ResponseModel model = ResponseModel::first_order;
    double t90_s = 0.0, low_s = 0.0, high_s = 0.0;
    std::optional<double> at_temperature_c;  // of the water; none where the probe gives no temperature
    double t90_20_s = 0.0;                   // corrected to 20 degC
    bool used = false;
    std::string set_aside;  // why it was not used; empty if used
};

struct T90 {
    double value_s = 0.0, low_s = 0.0, high_s = 0.0;  // at 20 degC
    std::optional<double> fresh_s;
    bool fresh_learned = false;   // else assumed from the configuration
    std::optional<double> ratio;  // value over fresh
    std::optional<double> limit_s;
    std::uint32_t tests = 0;  // used in this membrane's life
    Timestamp at{};           // of the newest used test
};

enum class BackgroundSource : std::uint8_t { anoxic_floor, dry_zero };
struct Background {
    double value_mg_l = 0.0, low_mg_l = 0.0, high_mg_l = 0.0;
    BackgroundSource source = BackgroundSource::anoxic_floor;
    Timestamp at{};
};

struct Fluctuation {
    double value_mg_l = 0.0;
    std::optional<double> fresh_mg_l, ratio;
    std::optional<double> shared_with_neighbours;  // 0..1, the part of the movement that neighbours show too
    Timestamp at{};
};

enum class SpanSource : std::uint8_t { air_exposure, air_calibration, reference };
struct Span {
    double value_percent = 100.0;  // the reading in air where 100 would be right
    SpanSource source = SpanSource::air_exposure;
    Timestamp at{};
};

struct Forecast {
    Reason reason = Reason::slow_response;
    Timestamp due{}, earliest{}, latest{};
};

enum class BitHabit : std::uint8_t { not_read, never_moves, moves };
[[nodiscard]] std::string_view to_word(BitHabit habit);

// What a position's readings can and cannot tell. What has not been learned yet is empty.
struct Suitability {
    std::optional<double> reading_interval_s;  // between readings
    std::optional<double> update_interval_s;   // between values that differ, while the reading must move
    std::optional<double> resolution_mg_l;
    std::optional<bool> clips_at_zero;  // then the negative half of a background is hidden
    std::optional<double> clips_at_mg_l;
    std::optional<bool> frozen_while_cleaning;
    std::optional<double> damping_s;  // time constant of the device's output filter; it is part of T90
    BitHabit cleaning = BitHabit::not_read, aeration = BitHabit::not_read, hold = BitHabit::not_read,
             fault = BitHabit::not_read;
    struct Possible {
        Reason reason = Reason::slow_response;
        std::string why_not;  // empty: it can be judged
    };
    std::vector<Possible> reasons;
};

// A reason that stands now. `raised_at` with the code identifies it: the same readings give the same instant,
// live, in replay and after a restart.
struct Finding {
    Reason reason = Reason::slow_response;
    Timestamp raised_at{};
    std::optional<Timestamp> since;  // when the limit was passed, as estimated; none for a forecast
    std::optional<Timestamp> due;    // of a forecast
    std::optional<double> value, low, high, limit;
    std::string unit;  // of value, low, high and limit; "" where they have none
    double probability = 0.0;
    std::string text;  // a sentence that a person understands
};

struct Diagnosis {
    Timestamp at{};
    Condition condition = Condition::unknown;
    std::optional<T90> t90;
    std::string t90_unknown;  // why, where t90 is empty; likewise below
    std::optional<Background> background;
    std::string background_unknown;
    std::optional<Fluctuation> fluctuation;
    std::string fluctuation_unknown;
    std::optional<Span> span;
    std::string span_unknown;
    std::optional<Forecast> forecast;
    std::string next_evidence;  // what would settle it; empty where nothing is missing
    ServiceState service_state = ServiceState::in_service;
    Suitability suitability;
    std::vector<Finding> findings;  // strongest first
};

}  // namespace probekeeper::diagnosis
