#include "scada/layout.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <limits>

namespace probekeeper::scada {
namespace {

using Block = std::span<std::uint16_t>;

std::uint16_t condition_number(diagnosis::Condition condition) {
    switch (condition) {
        case diagnosis::Condition::unknown:
            return 0;
        case diagnosis::Condition::good:
            return 1;
        case diagnosis::Condition::maintenance_required:
            return 2;
        case diagnosis::Condition::out_of_specification:
            return 3;
        case diagnosis::Condition::function_check:
            return 4;
        case diagnosis::Condition::failure:
            return 5;
    }
    return 0;
}
constexpr std::size_t conditions = 6;

// Written out, so that a change of the enum's order cannot change what SCADA systems were told.
std::uint16_t service_state_number(diagnosis::ServiceState state) {
    switch (state) {
        case diagnosis::ServiceState::in_service:
            return 0;
        case diagnosis::ServiceState::in_hand:
            return 1;
        case diagnosis::ServiceState::settling:
            return 2;
        case diagnosis::ServiceState::awaiting_calibration:
            return 3;
        case diagnosis::ServiceState::out_of_use:
            return 4;
    }
    return 0;
}

std::uint16_t ticket_state_number(service::State state) {
    switch (state) {
        case service::State::open:
            return 1;
        case service::State::acknowledged:
            return 2;
        case service::State::planned:
            return 3;
        case service::State::serviced:
            return 4;
        case service::State::verified:
        case service::State::closed:
        case service::State::withdrawn:
            return 0;
    }
    return 0;
}

std::uint16_t capped(std::size_t count) {
    return static_cast<std::uint16_t>(std::min<std::size_t>(count, 65'535));
}

void put_u32(Block block, std::size_t at, std::uint32_t value) {
    block[at] = static_cast<std::uint16_t>(value >> 16);
    block[at + 1] = static_cast<std::uint16_t>(value);
}

struct Measured {
    std::size_t integer_at, float_at;
    double per_unit;  // the integer is value times this
};

// What does not fit is shown at the end of the range, never wrapped: 32767 or -32767.
void put(Block block, Measured const& place, std::optional<double> value) {
    bool const known = value && std::isfinite(*value);
    block[place.integer_at] = known ? static_cast<std::uint16_t>(static_cast<std::int16_t>(std::clamp(
                                          std::round(*value * place.per_unit), -32'767.0, 32'767.0)))
                                    : unknown_integer;
    put_u32(block, place.float_at,
            std::bit_cast<std::uint32_t>(known ? static_cast<float>(*value)
                                               : std::numeric_limits<float>::quiet_NaN()));
}

std::optional<double> read_value(std::optional<Reading> const& reading, double Reading::*field) {
    return reading && is_read((*reading).*field) ? std::optional{(*reading).*field} : std::nullopt;
}

void put_id(Block block, std::string const& id) {
    constexpr std::size_t at = 40, registers = 24;
    for (std::size_t i = 0; i < std::min(id.size(), registers * 2); ++i) {
        auto const letter = static_cast<unsigned>(static_cast<unsigned char>(id[i]));
        auto& word = block[at + i / 2];
        word = static_cast<std::uint16_t>(word | (i % 2 == 0 ? letter << 8 : letter));
    }
}

void put_ticket(Block block, ProbeNow const& probe, Timestamp now) {
    std::optional<double> days_left;
    if (probe.ticket) {
        block[5] = ticket_state_number(probe.ticket->state);
        put_u32(block, 6, static_cast<std::uint32_t>(probe.ticket->number));
        if (probe.ticket->due) {
            days_left = seconds_between(now, *probe.ticket->due) / 86'400.0;
        }
    }
    put(block, {9, 36, 10.0}, days_left);
}

void put_age(Block block, ProbeNow const& probe, Timestamp now) {
    std::optional<double> age_s;
    if (probe.last_reading) {
        age_s = std::max(0.0, seconds_between(probe.last_reading->time, now));
    }
    put(block, {8, 38, 1.0}, age_s);
}

void put_probe(Block block, ProbeNow const& probe, Timestamp now) {
    auto const letter = diagnosis::ne107_of(probe.condition);
    block[0] = 1;
    block[1] = condition_number(probe.condition);
    block[2] = letter.empty() ? std::uint16_t{0} : static_cast<std::uint16_t>(letter.front());
    block[3] = probe.reasons;
    block[4] = service_state_number(probe.state);
    put_ticket(block, probe, now);
    put_age(block, probe, now);
    put(block, {10, 20, 100.0}, read_value(probe.last_reading, &Reading::do_mg_l));
    put(block, {11, 22, 10.0}, read_value(probe.last_reading, &Reading::do_percent));
    put(block, {12, 24, 100.0}, read_value(probe.last_reading, &Reading::temperature_c));
    put(block, {13, 26, 10.0}, probe.t90_s);
    put(block, {14, 28, 100.0}, probe.t90_ratio);
    put(block, {15, 30, 1000.0}, probe.background_mg_l);
    put(block, {16, 32, 100.0}, probe.fluctuation_ratio);
    put(block, {17, 34, 10.0}, probe.span_percent);
    put_id(block, probe.id);
}

void put_probe_bits(std::span<std::uint8_t> bits, ProbeNow const& probe) {
    bits[condition_number(probe.condition)] = 1;
    bits[6] = probe.ticket ? 1 : 0;
    bits[7] = 1;
}

// A block without a probe has no numbers, rather than zeroes that could be taken for some.
void put_nobody(Block block) {
    ProbeNow nobody;
    put_probe(block, nobody, Timestamp{});
    block[0] = 0;
}

}  // namespace

void tell(ProbeNow& probe, diagnosis::Diagnosis const& diagnosis) {
    probe.reasons = 0;
    for (auto const& finding : diagnosis.findings) {
        probe.reasons =
            static_cast<std::uint16_t>(probe.reasons | 1U << static_cast<unsigned>(finding.reason));
    }
    probe.t90_s = diagnosis.t90 ? std::optional{diagnosis.t90->value_s} : std::nullopt;
    probe.t90_ratio = diagnosis.t90 ? diagnosis.t90->ratio : std::nullopt;
    probe.background_mg_l =
        diagnosis.background ? std::optional{diagnosis.background->value_mg_l} : std::nullopt;
    probe.fluctuation_ratio = diagnosis.fluctuation ? diagnosis.fluctuation->ratio : std::nullopt;
    probe.span_percent = diagnosis.span ? std::optional{diagnosis.span->value_percent} : std::nullopt;
}

Image::Image(EstateNow const& estate, std::uint16_t heartbeat) {
    std::int64_t highest = 1;
    for (auto const& probe : estate.probes) {
        highest = std::max(highest, probe.number);
    }
    auto const most = static_cast<std::int64_t>(most_units * blocks_a_unit);
    auto const left = static_cast<std::size_t>(std::min(highest, most));
    for (std::size_t from = 0; from < left; from += blocks_a_unit) {
        auto const blocks = 1 + std::min(blocks_a_unit, left - from);
        auto& unit = units_.emplace_back();
        unit.registers.resize(blocks * block_registers);
        unit.bits.resize(blocks * block_bits);
        for (std::size_t block = 1; block < blocks; ++block) {
            put_nobody(Block{unit.registers}.subspan(block * block_registers, block_registers));
        }
    }
    for (auto const& probe : estate.probes) {
        if (probe.number < 1 || probe.number > most) {
            continue;
        }
        auto const index = static_cast<std::size_t>(probe.number - 1);
        auto& unit = units_[index / blocks_a_unit];
        auto const block = 1 + index % blocks_a_unit;
        put_probe(Block{unit.registers}.subspan(block * block_registers, block_registers), probe, estate.now);
        put_probe_bits(std::span{unit.bits}.subspan(block * block_bits, block_bits), probe);
    }
    summarise(estate, heartbeat);
}

void Image::summarise(EstateNow const& estate, std::uint16_t heartbeat) {
    std::array<std::size_t, conditions> counts{};
    std::size_t tickets = 0;
    for (auto const& probe : estate.probes) {
        ++counts[condition_number(probe.condition)];
        tickets += probe.ticket ? 1 : 0;
    }
    for (auto& unit : units_) {
        Block const block{unit.registers.data(), block_registers};
        block[0] = layout_version;
        block[1] = heartbeat;
        block[2] = capped(estate.probes.size());
        for (std::size_t i = 0; i < conditions; ++i) {
            block[3 + i] = capped(counts[i]);
        }
        block[9] = capped(tickets);
        block[10] = capped(estate.lines_up);
        block[11] = capped(estate.lines_down);
        put_u32(block, 12, static_cast<std::uint32_t>(to_unix_ms(estate.now) / 1000));
    }
}

Image::Unit const* Image::find(std::uint8_t unit) const {
    std::size_t const index = unit == 0 || unit == 255 ? 0 : unit - 1U;
    return index < units_.size() ? &units_[index] : nullptr;
}

std::span<std::uint16_t const> Image::registers(std::uint8_t unit) const {
    auto const* found = find(unit);
    return found != nullptr ? std::span<std::uint16_t const>{found->registers}
                            : std::span<std::uint16_t const>{};
}

std::span<std::uint8_t const> Image::bits(std::uint8_t unit) const {
    auto const* found = find(unit);
    return found != nullptr ? std::span<std::uint8_t const>{found->bits} : std::span<std::uint8_t const>{};
}

}  // namespace probekeeper::scada
