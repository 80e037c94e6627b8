#include "service/work_plan.h"

#include <algorithm>
#include <array>
#include <bitset>
#include <string_view>

namespace probekeeper::service {
namespace {

using diagnosis::Reason;

// In the order in which they are done in one visit: look and wipe before opening, open before filling, settle
// before calibrating, compare last.
enum class Task : std::uint8_t {
    check_power_and_wiring,
    check_bus_settings,
    check_device_settings,
    check_cable_and_connector,
    check_cleaning_system,
    check_flow_and_position,
    wipe_membrane,
    lift_test,
    inspect_membrane,
    dry_zero_check,
    change_membrane_and_o_ring,
    clean_anode_and_cathode,
    refill_electrolyte,
    let_settle,
    check_temperature,
    air_calibration,
    reference_check
};
constexpr std::array<std::string_view, 17> task_words{"check_power_and_wiring",
                                                      "check_bus_settings",
                                                      "check_device_settings",
                                                      "check_cable_and_connector",
                                                      "check_cleaning_system",
                                                      "check_flow_and_position",
                                                      "wipe_membrane",
                                                      "lift_test",
                                                      "inspect_membrane",
                                                      "dry_zero_check",
                                                      "change_membrane_and_o_ring",
                                                      "clean_anode_and_cathode",
                                                      "refill_electrolyte",
                                                      "let_settle",
                                                      "check_temperature",
                                                      "air_calibration",
                                                      "reference_check"};
static_assert(static_cast<std::size_t>(Task::reference_check) + 1 == task_words.size());

enum class Bring : std::uint8_t { membrane, o_ring, electrolyte, abrasive_pad };

struct Needs {
    std::bitset<task_words.size()> tasks;
    std::bitset<4> parts;
    [[nodiscard]] bool has(Task t) const { return tasks[static_cast<std::size_t>(t)]; }
    [[nodiscard]] bool has(Bring b) const { return parts[static_cast<std::size_t>(b)]; }
};

Needs needs(std::initializer_list<Task> tasks, std::initializer_list<Bring> parts = {}) {
    Needs n;
    for (auto const task : tasks) {
        n.tasks.set(static_cast<std::size_t>(task));
    }
    for (auto const part : parts) {
        n.parts.set(static_cast<std::size_t>(part));
    }
    return n;
}

Needs needs_of(Reason reason) {
    using enum Task;
    using enum Bring;
    switch (reason) {
        case Reason::slow_response:  // it may only be dirty, so the membrane is not the first thing
            return needs({wipe_membrane, lift_test, change_membrane_and_o_ring, clean_anode_and_cathode,
                          refill_electrolyte, air_calibration},
                         {membrane, o_ring, electrolyte});
        case Reason::background:  // residue on the cathode, or an electrolyte that is spent
            return needs({dry_zero_check, change_membrane_and_o_ring, clean_anode_and_cathode,
                          refill_electrolyte, air_calibration},
                         {membrane, o_ring, electrolyte, abrasive_pad});
        case Reason::fluctuation:  // wrinkles, bubbles, a wet connector, or too little flow past the membrane
            return needs({check_cable_and_connector, check_flow_and_position, wipe_membrane, inspect_membrane,
                          change_membrane_and_o_ring, refill_electrolyte, air_calibration},
                         {membrane, o_ring, electrolyte});
        case Reason::span_error:
            return needs({wipe_membrane, inspect_membrane, air_calibration, reference_check});
        case Reason::reference_disagreement:  // salinity and pressure set wrong look just like a wrong probe
            return needs({check_device_settings, wipe_membrane, air_calibration, reference_check});
        case Reason::temperature_fault:
            return needs({check_cable_and_connector, check_temperature});
        case Reason::no_signal:  // a cable costs nothing to look at; else the electrolyte is gone
            return needs({check_cable_and_connector, inspect_membrane, change_membrane_and_o_ring,
                          clean_anode_and_cathode, refill_electrolyte, let_settle, air_calibration},
                         {membrane, o_ring, electrolyte});
        case Reason::membrane_damage:
            return needs({inspect_membrane, change_membrane_and_o_ring, clean_anode_and_cathode,
                          refill_electrolyte, let_settle, air_calibration},
                         {membrane, o_ring, electrolyte});
        case Reason::stuck:
            return needs({check_device_settings, check_cable_and_connector, lift_test});
        case Reason::no_communication:
            return needs({check_power_and_wiring, check_bus_settings, check_cable_and_connector});
        case Reason::not_settled:  // most often a bubble or a wrinkle under the new membrane
            return needs({inspect_membrane, refill_electrolyte, let_settle, air_calibration}, {electrolyte});
        case Reason::cleaning_failed:
            return needs({check_cleaning_system, wipe_membrane});
        case Reason::verification_due:
            return needs({lift_test, reference_check});
    }
    return {};
}

std::vector<Part> parts_of(Needs const& all, std::string const& membrane_kind) {
    constexpr int fill_ml = 5;
    std::vector<Part> parts;
    if (all.has(Bring::membrane)) {
        parts.push_back({"membrane", membrane_kind, 1});
    }
    if (all.has(Bring::o_ring)) {
        parts.push_back({"o_ring", "", 1});
    }
    if (all.has(Bring::electrolyte)) {
        parts.push_back({"electrolyte_ml", "", fill_ml});
    }
    if (all.has(Bring::abrasive_pad)) {
        parts.push_back({"abrasive_pad", "", 1});
    }
    return parts;
}

}  // namespace

WorkPlan plan_work(std::span<diagnosis::Finding const> findings, ProbeFacts const& probe) {
    if (findings.empty()) {
        return {};
    }
    Needs all;
    for (auto const& finding : findings) {
        auto const one = needs_of(finding.reason);
        all.tasks |= one.tasks;
        all.parts |= one.parts;
    }
    WorkPlan plan;
    for (std::size_t i = 0; i < task_words.size(); ++i) {
        if (all.tasks[i]) {
            plan.work.emplace_back(task_words[i]);
        }
    }
    plan.parts = parts_of(all, probe.membrane);
    plan.meanwhile = meanwhile_for(findings);
    plan.cautions =
        cautions_for(probe, all.has(Task::refill_electrolyte), all.has(Task::check_power_and_wiring));
    return plan;
}

}  // namespace probekeeper::service
