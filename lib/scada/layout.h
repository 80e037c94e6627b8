// Where each number stands for a SCADA system, layout 1. deploy/scada/modbus.md describes it to its users, to
// whom it is a promise: add in what is reserved and raise layout_version; never move anything.
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

inline constexpr std::uint16_t layout_version = 1;
inline constexpr std::size_t block_registers = 100;
inline constexpr std::size_t block_bits = 16;
// Probe numbers 1 to 600 are on unit 1, 601 to 1200 on unit 2 and so on; block 0 of each unit is the summary.
inline constexpr std::size_t blocks_a_unit = 600;
inline constexpr std::size_t most_units = 247;            // as Modbus has it
inline constexpr std::uint16_t unknown_integer = 0x8000;  // int16 -32768; a float32 that is not known is NaN

// What a SCADA system is told of a probe.
struct ProbeNow {
    std::int64_t number = 0;  // from 1; given once by the store and never to another probe
    std::string id;
    diagnosis::Condition condition = diagnosis::Condition::unknown;
    diagnosis::ServiceState state = diagnosis::ServiceState::in_service;
    std::uint16_t reasons = 0;  // bit n: diagnosis::Reason n stands
    // Empty: not known.
    std::optional<double> t90_s, t90_ratio, background_mg_l, fluctuation_ratio, span_percent;
    struct Ticket {
        std::int64_t number = 0;
        service::State state = service::State::open;
        std::optional<Timestamp> due;
    };
    std::optional<Ticket> ticket;  // its unfinished one
    std::optional<Reading> last_reading;
};

struct EstateNow {
    std::vector<ProbeNow> probes;
    std::size_t lines_up = 0, lines_down = 0;
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

private:
    struct Unit {
        std::vector<std::uint16_t> registers;
        std::vector<std::uint8_t> bits;
    };
    [[nodiscard]] Unit const* find(std::uint8_t unit) const;
    void summarise(EstateNow const& estate, std::uint16_t heartbeat);
    std::vector<Unit> units_;
};

}  // namespace probekeeper::scada
