#include "fieldbus/probe_reader.h"

#include <algorithm>

#include "fieldbus/wait.h"

namespace probekeeper::fieldbus {
namespace {

constexpr int illegal_data_address = 2;
constexpr int longest_penalty = 64;

}  // namespace

Timestamp SystemClock::now() const {
    return std::chrono::floor<Millis>(std::chrono::system_clock::now());
}

ProbeReader::ProbeReader(fleet::RegisterMap map, int unit, CostModel const& costs)
    : map_{std::move(map)}, unit_{unit} {
    for (auto const& block : plan(map_, costs)) {
        plan_.push_back({block});
    }
}

ProbeRead ProbeReader::read(Line& line, Clock const& clock) {
    ProbeRead out;
    // By index: a split inside makes the plan longer.
    for (std::size_t index = 0; index < plan_.size(); ++index) {
        if (plan_[index].left_out > 0) {
            --plan_[index].left_out;
        } else if (!read_block(line, clock, index, out)) {
            break;
        }
    }
    return out;
}

bool ProbeReader::read_block(Line& line, Clock const& clock, std::size_t index, ProbeRead& out) {
    BlockData data{plan_[index].block, {}};
    auto const started = SteadyClock::now();
    auto exchanged = line.read(unit_, data.block, data.words);
    if (!exchanged && exchanged.error() == LinkError{Fault::exception, illegal_data_address} &&
        split(index)) {
        data.block = plan_[index].block;
        exchanged = line.read(unit_, data.block, data.words);
    }
    auto& planned = plan_[index];
    bool const oxygen = covers(planned.block, map_.dissolved_oxygen);
    if (exchanged) {
        planned.penalty = 0;
        if (oxygen) {
            out.at = clock.now();
            out.latency = *exchanged;
        }
        out.blocks.push_back(std::move(data));
        return true;
    }
    out.failed.push_back({planned.block, exchanged.error()});
    if (is_silence(exchanged.error().fault)) {
        out.silent += SteadyClock::now() - started;
        if (!oxygen) {
            planned.penalty = std::clamp(planned.penalty * 2, 1, longest_penalty);
            planned.left_out = planned.penalty;
        }
    }
    return !oxygen && line.is_open();
}

bool ProbeReader::split(std::size_t index) {
    auto parts = without_holes(plan_[index].block, map_);
    if (parts.size() < 2) {
        return false;
    }
    // The part with the oxygen takes the place, and the others follow it.
    std::stable_partition(parts.begin(), parts.end(),
                          [&](Block const& block) { return covers(block, map_.dissolved_oxygen); });
    plan_[index].block = parts.front();
    for (std::size_t i = 1; i < parts.size(); ++i) {
        plan_.insert(plan_.begin() + static_cast<std::ptrdiff_t>(index + i), Planned{parts[i]});
    }
    return true;
}

}  // namespace probekeeper::fieldbus
