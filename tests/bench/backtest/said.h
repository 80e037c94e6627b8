// What a daemon said: its tickets and last diagnoses, as far as the scoring looks at them.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::backtest {

// One reason of one ticket.
struct SaidReason {
    std::string probe, ticket, code, text;
    Timestamp raised_at{};
};

struct SaidStep {
    Timestamp at{};
    std::string state, by;
};

struct SaidTicket {
    std::string id, probe;
    Timestamp opened_at{};
    std::vector<SaidStep> history;
};

struct SaidValue {
    double value = 0.0, low = 0.0, high = 0.0;
    Timestamp at{};
};

struct SaidForecast {
    Timestamp due{}, earliest{}, latest{};
};

// A probe's last diagnosis.
struct SaidState {
    std::string condition;
    std::optional<SaidValue> t90, background;
    std::optional<SaidForecast> forecast;
};

struct Said {
    std::vector<SaidReason> reasons;
    std::map<std::string, SaidState> states = {};  // by probe; empty without a diagnosis folder
    std::vector<SaidTicket> tickets = {};
};

// Throws std::runtime_error where a file is missing or not as the interface says.
[[nodiscard]] Said read_said(std::filesystem::path const& tickets_file,
                             std::optional<std::filesystem::path> const& diagnosis_folder);

}  // namespace probekeeper::backtest
