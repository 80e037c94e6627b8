#include "diagnosis/verdict.h"

#include <array>

namespace probekeeper::diagnosis {
namespace {

constexpr std::array<std::string_view, reason_count> reason_words{
    "slow_response",     "background",      "fluctuation",     "span_error", "reference_disagreement",
    "temperature_fault", "no_signal",       "membrane_damage", "stuck",      "no_communication",
    "not_settled",       "cleaning_failed", "verification_due"};

}  // namespace

std::string_view to_word(Condition c) {
    switch (c) {
        case Condition::good:
            return "good";
        case Condition::maintenance_required:
            return "maintenance_required";
        case Condition::out_of_specification:
            return "out_of_specification";
        case Condition::function_check:
            return "function_check";
        case Condition::failure:
            return "failure";
        case Condition::unknown:
            return "unknown";
    }
    return "";
}

std::string_view to_word(ServiceState s) {
    switch (s) {
        case ServiceState::in_service:
            return "in_service";
        case ServiceState::in_hand:
            return "in_hand";
        case ServiceState::settling:
            return "settling";
        case ServiceState::awaiting_calibration:
            return "awaiting_calibration";
        case ServiceState::out_of_use:
            return "out_of_use";
    }
    return "";
}

std::string_view to_word(Reason r) {
    return reason_words[static_cast<std::size_t>(r)];
}

std::optional<Reason> reason_of(std::string_view word) {
    for (std::size_t i = 0; i < reason_words.size(); ++i) {
        if (reason_words[i] == word) {
            return static_cast<Reason>(i);
        }
    }
    return std::nullopt;
}

std::string_view to_word(TestSource s) {
    switch (s) {
        case TestSource::cleaning:
            return "cleaning";
        case TestSource::air_exposure:
            return "air_exposure";
        case TestSource::aeration_off:
            return "aeration_off";
        case TestSource::aeration_on:
            return "aeration_on";
        case TestSource::neighbour:
            return "neighbour";
    }
    return "";
}

std::string_view to_word(ResponseModel m) {
    return m == ResponseModel::first_order ? "first_order" : "membrane";
}

Condition condition_of(Reason r) {
    switch (r) {
        case Reason::slow_response:
        case Reason::fluctuation:
        case Reason::cleaning_failed:
            return Condition::maintenance_required;
        case Reason::background:
        case Reason::span_error:
        case Reason::reference_disagreement:
        case Reason::temperature_fault:
            return Condition::out_of_specification;
        case Reason::no_signal:
        case Reason::membrane_damage:
        case Reason::stuck:
        case Reason::no_communication:
            return Condition::failure;
        case Reason::not_settled:
            return Condition::function_check;
        case Reason::verification_due:
            return Condition::unknown;
    }
    return Condition::unknown;
}

std::string_view ne107_of(Condition c) {
    switch (c) {
        case Condition::maintenance_required:
            return "M";
        case Condition::out_of_specification:
            return "S";
        case Condition::function_check:
            return "C";
        case Condition::failure:
            return "F";
        case Condition::good:
        case Condition::unknown:
            return "";
    }
    return "";
}

std::string_view to_word(BitHabit habit) {
    switch (habit) {
        case BitHabit::not_read:
            return "not_read";
        case BitHabit::never_moves:
            return "never_moves";
        case BitHabit::moves:
            return "moves";
    }
    return "";
}

int severity(Condition c) {
    switch (c) {
        case Condition::failure:
            return 5;
        case Condition::function_check:
            return 4;
        case Condition::out_of_specification:
            return 3;
        case Condition::maintenance_required:
            return 2;
        case Condition::unknown:
            return 1;
        case Condition::good:
            return 0;
    }
    return 0;
}

}  // namespace probekeeper::diagnosis
