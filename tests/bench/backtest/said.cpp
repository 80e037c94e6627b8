#include "said.h"

#include <spdlog/fmt/fmt.h>

#include <boost/json.hpp>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace probekeeper::backtest {
namespace {

namespace json = boost::json;

Timestamp time_of(json::value const& value) {
    auto const text = json::value_to<std::string>(value);
    auto const time = parse_rfc3339(text);
    if (!time) {
        throw std::runtime_error(fmt::format("not a time: '{}'", text));
    }
    return *time;
}

void add_reasons(json::value const& ticket, std::vector<SaidReason>& reasons) {
    for (auto const& reason : ticket.at("reasons").as_array()) {
        reasons.push_back({.probe = json::value_to<std::string>(ticket.at("probe")),
                           .ticket = json::value_to<std::string>(ticket.at("id")),
                           .code = json::value_to<std::string>(reason.at("code")),
                           .text = json::value_to<std::string>(reason.at("text")),
                           .raised_at = time_of(reason.at("raised_at"))});
    }
}

SaidTicket ticket_of(json::value const& ticket) {
    SaidTicket said{.id = json::value_to<std::string>(ticket.at("id")),
                    .probe = json::value_to<std::string>(ticket.at("probe")),
                    .opened_at = time_of(ticket.at("opened_at")),
                    .history = {}};
    for (auto const& entry : ticket.at("history").as_array()) {
        said.history.push_back({.at = time_of(entry.at("at")),
                                .state = json::value_to<std::string>(entry.at("state")),
                                .by = json::value_to<std::string>(entry.at("by"))});
    }
    return said;
}

std::optional<SaidValue> value_of(json::object const& diagnosis, std::string_view name,
                                  std::string_view unit) {
    auto const* found = diagnosis.if_contains(name);
    if (found == nullptr || found->is_null()) {
        return std::nullopt;
    }
    return SaidValue{.value = found->at(fmt::format("value_{}", unit)).to_number<double>(),
                     .low = found->at(fmt::format("low_{}", unit)).to_number<double>(),
                     .high = found->at(fmt::format("high_{}", unit)).to_number<double>(),
                     .at = time_of(found->at("at"))};
}

SaidState state_of(json::value const& document) {
    auto const& diagnosis = document.as_object();
    SaidState state;
    state.condition = json::value_to<std::string>(diagnosis.at("condition"));
    state.t90 = value_of(diagnosis, "t90", "s");
    state.background = value_of(diagnosis, "background", "mg_l");
    auto const* forecast = diagnosis.if_contains("forecast");
    if (forecast != nullptr && !forecast->is_null()) {
        state.forecast = SaidForecast{.due = time_of(forecast->at("due")),
                                      .earliest = time_of(forecast->at("earliest")),
                                      .latest = time_of(forecast->at("latest"))};
    }
    return state;
}

}  // namespace

Said read_said(std::filesystem::path const& tickets_file,
               std::optional<std::filesystem::path> const& diagnosis_folder) {
    Said said;
    std::ifstream tickets{tickets_file};
    if (!tickets) {
        throw std::runtime_error(fmt::format("cannot read {}", tickets_file.string()));
    }
    std::filesystem::path reading = tickets_file;
    try {
        for (std::string line; std::getline(tickets, line);) {
            if (!line.empty()) {
                auto const ticket = json::parse(line);
                add_reasons(ticket, said.reasons);
                said.tickets.push_back(ticket_of(ticket));
            }
        }
        if (diagnosis_folder) {
            for (auto const& entry : std::filesystem::directory_iterator(*diagnosis_folder)) {
                reading = entry.path();
                std::ifstream in{reading};
                std::stringstream text;
                text << in.rdbuf();
                said.states[reading.stem().string()] = state_of(json::parse(text.str()));
            }
        }
    } catch (std::exception const& e) {
        throw std::runtime_error(fmt::format("{}: {}", reading.string(), e.what()));
    }
    return said;
}

}  // namespace probekeeper::backtest
