// Where each number stands for a SCADA system, layout 3. deploy/scada/modbus.md describes it to its users, to
// whom it is a promise: add in what is reserved and raise layout_version; never move anything. points.h lists
// it for machines, and a test holds the two to each other.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/reading.h"
#include "diagnosis/verdict.h"
#include "scada/frame.h"
#include "service/ticket.h"

namespace probekeeper::scada {

inline constexpr std::uint16_t layout_version = 3;
inline constexpr std::size_t block_registers = 100;
inline constexpr std::size_t block_bits = 16;
// Probe numbers 1 to 600 are on unit 1, 601 to 1200 on unit 2 and so on; block 0 of each unit is the summary.
inline constexpr std::size_t blocks_a_unit = 600;
inline constexpr std::size_t probe_units = 100;
// The first registers of the same probes' blocks, closely packed, on unit 101 for those of unit 1 and so on:
// three blocks fit into one request. Missing of a block: its id, the float of its fluctuation, and what can
// be written.
inline constexpr std::size_t first_packed_unit = 101;
inline constexpr std::size_t packed_registers = 40;
// Site numbers likewise from this unit on, up to 247, the last that Modbus has.
inline constexpr std::size_t first_site_unit = 201;
inline constexpr std::size_t site_units = 47;
// Of a probe's block: reads 0 without a ticket, 1 with one that nobody has seen, 2 with one that has been
// seen. Where that is allowed, 1 written here marks it as seen; it is the only register that can be written.
inline constexpr std::size_t seen_register = 68;
inline constexpr std::uint16_t unknown_integer = 0x8000;  // int16 -32768; a float32 that is not known is NaN

// What a SCADA system is told of a probe.
struct ProbeNow {
    std::int64_t number = 0;  // from 1; given once by the store and never to another probe
    std::string id;
    diagnosis::Condition condition = diagnosis::Condition::unknown;
    diagnosis::ServiceState state = diagnosis::ServiceState::in_service;
    std::uint16_t reasons = 0;  // bit n: diagnosis::Reason n stands
    // Empty: not known.
    std::optional<double> t90_s, t90_ratio, background_mg_l, fluctuation_mg_l, fluctuation_ratio,
        span_percent;
    struct Ticket {
        std::int64_t number = 0;
        service::State state = service::State::open;
        service::Urgency urgency = service::Urgency::next_visit;
        std::optional<Timestamp> due;
        bool seen = false;
    };
    std::optional<Ticket> ticket;  // its unfinished one
    std::optional<Reading> last_reading;
    std::size_t site = 0;  // place in EstateNow::sites
};

struct SiteNow {
    std::int64_t number = 0;  // from 1; given once by the store and never to another site
    std::string id;
    std::size_t lines_up = 0, lines_down = 0;
};

struct EstateNow {
    std::vector<SiteNow> sites;
    std::vector<ProbeNow> probes;
    Timestamp now{};
};

// Takes the numbers out of a diagnosis.
void tell(ProbeNow& probe, diagnosis::Diagnosis const& diagnosis);

// All registers as they stand at one instant. Blocks of numbers that nobody has now are there and say so
// (present 0): a read across them must not fail when a probe goes.
class Image final : public Registers {
public:
    Image() = default;
    // `heartbeat` is what the summary shows.
    Image(EstateNow const& estate, std::uint16_t heartbeat);

    // Units 0 and 255 mean unit 1: many clients cannot be told another.
    [[nodiscard]] std::span<std::uint16_t const> registers(std::uint8_t unit) const override;
    [[nodiscard]] std::span<std::uint8_t const> bits(std::uint8_t unit) const override;

    // The number of the probe whose seen_register stands there; empty: no probe of today has its own there.
    [[nodiscard]] std::optional<std::int64_t> seen_register_of(std::uint8_t unit,
                                                               std::uint16_t address) const;

private:
    struct Unit {
        std::vector<std::uint16_t> registers;
        std::vector<std::uint8_t> bits;
    };
    // The unit in one of the lists below, and whether it is the list of whole blocks of probes.
    struct Place {
        Unit const* unit = nullptr;  // null: there is none
        bool whole_probes = false;
        std::size_t index = 0;
    };
    [[nodiscard]] Place find(std::uint8_t unit) const;
    void pack();
    void put_probes(EstateNow const& estate);
    void put_sites(EstateNow const& estate);
    void summarise(EstateNow const& estate, std::uint16_t heartbeat);
    std::vector<Unit> probe_units_, packed_units_, site_units_;
};

}  // namespace probekeeper::scada
