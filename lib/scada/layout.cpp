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

std::uint16_t urgency_number(service::Urgency urgency) {
    switch (urgency) {
        case service::Urgency::next_visit:
            return 1;
        case service::Urgency::this_week:
            return 2;
        case service::Urgency::now:
            return 3;
    }
    return 0;
}

std::uint16_t letter_of(diagnosis::Condition condition) {
    auto const letter = diagnosis::ne107_of(condition);
    return letter.empty() ? std::uint16_t{0} : static_cast<std::uint16_t>(letter.front());
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
        block[19] = urgency_number(probe.ticket->urgency);
        block[seen_register] = probe.ticket->seen ? 2 : 1;
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
    block[0] = 1;
    block[1] = condition_number(probe.condition);
    block[2] = letter_of(probe.condition);
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
    put(block, {18, 64, 1000.0}, probe.fluctuation_mg_l);
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

// What the probes of a site, or of all sites, come to.
struct Sum {
    std::array<std::size_t, conditions> counts{};  // by condition_number()
    std::size_t probes = 0, tickets = 0, urgent = 0, unseen = 0, out_of_use = 0;
    diagnosis::Condition worst = diagnosis::Condition::good;
    std::optional<Timestamp> due, newest;

    void add(ProbeNow const& probe) {
        worst = probes == 0 || diagnosis::severity(probe.condition) > diagnosis::severity(worst)
                    ? probe.condition
                    : worst;
        ++probes;
        ++counts[condition_number(probe.condition)];
        out_of_use += probe.state == diagnosis::ServiceState::out_of_use ? 1 : 0;
        if (probe.ticket) {
            ++tickets;
            urgent += probe.ticket->urgency == service::Urgency::now ? 1 : 0;
            unseen += probe.ticket->seen ? 0 : 1;
            if (probe.ticket->due) {
                due = due ? std::min(*due, *probe.ticket->due) : *probe.ticket->due;
            }
        }
        if (probe.last_reading) {
            newest = newest ? std::max(*newest, probe.last_reading->time) : probe.last_reading->time;
        }
    }
};

constexpr Measured newest_age{15, 20, 1.0}, days_till_due{16, 22, 10.0};

void put_no_site(Block block) {
    put(block, newest_age, std::nullopt);
    put(block, days_till_due, std::nullopt);
}

void put_site(Block block, SiteNow const& site, Sum const& sum, Timestamp now) {
    auto const worst = sum.probes == 0 ? diagnosis::Condition::unknown : sum.worst;
    block[0] = 1;
    block[1] = condition_number(worst);
    block[2] = letter_of(worst);
    block[3] = capped(sum.probes);
    for (std::size_t i = 0; i < conditions; ++i) {
        block[4 + i] = capped(sum.counts[i]);
    }
    block[10] = capped(sum.tickets);
    block[11] = capped(sum.urgent);
    block[12] = capped(sum.unseen);
    block[13] = capped(site.lines_up);
    block[14] = capped(site.lines_down);
    block[17] = capped(sum.out_of_use);
    put(block, newest_age,
        sum.newest ? std::optional{std::max(0.0, seconds_between(*sum.newest, now))} : std::nullopt);
    put(block, days_till_due,
        sum.due ? std::optional{seconds_between(now, *sum.due) / 86'400.0} : std::nullopt);
    put_id(block, site.id);
}

void put_site_bits(std::span<std::uint8_t> bits, SiteNow const& site, Sum const& sum) {
    for (std::size_t i = 0; i < conditions; ++i) {
        bits[i] = sum.counts[i] > 0 ? 1 : 0;
    }
    bits[6] = sum.tickets > 0 ? 1 : 0;
    bits[7] = 1;
    bits[8] = site.lines_down > 0 ? 1 : 0;
    bits[9] = site.lines_down > 0 && site.lines_up == 0 ? 1 : 0;
    bits[10] = sum.urgent > 0 ? 1 : 0;
    bits[11] = sum.unseen > 0 ? 1 : 0;
}

template <typename Items>
std::size_t highest_number(Items const& items, std::size_t most) {
    std::int64_t highest = 0;
    for (auto const& item : items) {
        highest = std::max(highest, item.number);
    }
    return std::min(static_cast<std::size_t>(highest), most);
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
    probe.fluctuation_mg_l =
        diagnosis.fluctuation ? std::optional{diagnosis.fluctuation->value_mg_l} : std::nullopt;
    probe.fluctuation_ratio = diagnosis.fluctuation ? diagnosis.fluctuation->ratio : std::nullopt;
    probe.span_percent = diagnosis.span ? std::optional{diagnosis.span->value_percent} : std::nullopt;
}

Image::Image(EstateNow const& estate, std::uint16_t heartbeat) {
    put_probes(estate);
    put_sites(estate);
    summarise(estate, heartbeat);
    pack();
}

// Unit 1 is there even without a probe: its summary has the heartbeat.
void Image::put_probes(EstateNow const& estate) {
    auto const left = std::max<std::size_t>(1, highest_number(estate.probes, probe_units * blocks_a_unit));
    for (std::size_t from = 0; from < left; from += blocks_a_unit) {
        auto const blocks = 1 + std::min(blocks_a_unit, left - from);
        auto& unit = probe_units_.emplace_back();
        unit.registers.resize(blocks * block_registers);
        unit.bits.resize(blocks * block_bits);
        for (std::size_t block = 1; block < blocks; ++block) {
            put_nobody(Block{unit.registers}.subspan(block * block_registers, block_registers));
        }
    }
    for (auto const& probe : estate.probes) {
        auto const index = static_cast<std::size_t>(probe.number - 1);
        if (probe.number < 1 || index >= probe_units * blocks_a_unit) {
            continue;
        }
        auto& unit = probe_units_[index / blocks_a_unit];
        auto const block = 1 + index % blocks_a_unit;
        auto const registers = Block{unit.registers}.subspan(block * block_registers, block_registers);
        std::fill(registers.begin(), registers.end(), std::uint16_t{0});
        put_probe(registers, probe, estate.now);
        put_probe_bits(std::span{unit.bits}.subspan(block * block_bits, block_bits), probe);
    }
}

void Image::put_sites(EstateNow const& estate) {
    std::vector<Sum> sums(estate.sites.size());
    for (auto const& probe : estate.probes) {
        if (probe.site < sums.size()) {
            sums[probe.site].add(probe);
        }
    }
    auto const left = highest_number(estate.sites, site_units * blocks_a_unit);
    for (std::size_t from = 0; from < left; from += blocks_a_unit) {
        auto const blocks = 1 + std::min(blocks_a_unit, left - from);
        auto& unit = site_units_.emplace_back();
        unit.registers.resize(blocks * block_registers);
        unit.bits.resize(blocks * block_bits);
        for (std::size_t block = 1; block < blocks; ++block) {
            put_no_site(Block{unit.registers}.subspan(block * block_registers, block_registers));
        }
    }
    for (std::size_t i = 0; i < estate.sites.size(); ++i) {
        auto const& site = estate.sites[i];
        auto const index = static_cast<std::size_t>(site.number - 1);
        if (site.number < 1 || index >= site_units * blocks_a_unit) {
            continue;
        }
        auto& unit = site_units_[index / blocks_a_unit];
        auto const block = 1 + index % blocks_a_unit;
        put_site(Block{unit.registers}.subspan(block * block_registers, block_registers), site, sums[i],
                 estate.now);
        put_site_bits(std::span{unit.bits}.subspan(block * block_bits, block_bits), site, sums[i]);
    }
}

void Image::summarise(EstateNow const& estate, std::uint16_t heartbeat) {
    Sum sum;
    for (auto const& probe : estate.probes) {
        sum.add(probe);
    }
    std::size_t lines_up = 0, lines_down = 0;
    for (auto const& site : estate.sites) {
        lines_up += site.lines_up;
        lines_down += site.lines_down;
    }
    auto const put_summary = [&](Unit& unit) {
        Block const block{unit.registers.data(), block_registers};
        block[0] = layout_version;
        block[1] = heartbeat;
        block[2] = capped(estate.probes.size());
        for (std::size_t i = 0; i < conditions; ++i) {
            block[3 + i] = capped(sum.counts[i]);
        }
        block[9] = capped(sum.tickets);
        block[10] = capped(lines_up);
        block[11] = capped(lines_down);
        put_u32(block, 12, static_cast<std::uint32_t>(to_unix_ms(estate.now) / 1000));
        block[14] = capped(estate.sites.size());
        block[15] = capped(sum.urgent);
        block[16] = capped(sum.unseen);
    };
    std::for_each(probe_units_.begin(), probe_units_.end(), put_summary);
    std::for_each(site_units_.begin(), site_units_.end(), put_summary);
}

// Last, for it copies. Block 0 is the summary's beginning. The bits stand where they stand.
void Image::pack() {
    for (auto const& whole : probe_units_) {
        auto& packed = packed_units_.emplace_back();
        packed.bits = whole.bits;
        packed.registers.reserve(whole.registers.size() / block_registers * packed_registers);
        for (auto block = whole.registers.begin(); block != whole.registers.end(); block += block_registers) {
            packed.registers.insert(packed.registers.end(), block, block + packed_registers);
        }
    }
}

Image::Place Image::find(std::uint8_t unit) const {
    std::size_t const number = unit == 0 || unit == 255 ? 1 : unit;
    auto const in = [&](std::vector<Unit> const& units, std::size_t first, bool whole_probes) {
        auto const index = number - first;
        return Place{index < units.size() ? &units[index] : nullptr, whole_probes, index};
    };
    if (number >= first_site_unit) {
        return in(site_units_, first_site_unit, false);
    }
    return number >= first_packed_unit ? in(packed_units_, first_packed_unit, false)
                                       : in(probe_units_, 1, true);
}

std::span<std::uint16_t const> Image::registers(std::uint8_t unit) const {
    auto const* found = find(unit).unit;
    return found != nullptr ? std::span<std::uint16_t const>{found->registers}
                            : std::span<std::uint16_t const>{};
}

std::span<std::uint8_t const> Image::bits(std::uint8_t unit) const {
    auto const* found = find(unit).unit;
    return found != nullptr ? std::span<std::uint8_t const>{found->bits} : std::span<std::uint8_t const>{};
}

std::optional<std::int64_t> Image::seen_register_of(std::uint8_t unit, std::uint16_t address) const {
    auto const found = find(unit);
    auto const block = address / block_registers;
    if (found.unit == nullptr || !found.whole_probes || block == 0 ||
        address >= found.unit->registers.size() || address % block_registers != seen_register ||
        found.unit->registers[block * block_registers] == 0) {
        return std::nullopt;
    }
    return static_cast<std::int64_t>(found.index * blocks_a_unit + block);
}

}  // namespace probekeeper::scada
