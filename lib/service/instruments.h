// Where each instrument has been. A probe's id names a position; the instrument in it carries a serial, and
// `probe_swap` records move instruments between positions and the workshop.
#pragma once

#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/time.h"
#include "service/record.h"

namespace probekeeper::service {

struct Stay {
    std::string probe;                     // the position; empty: the workshop
    std::optional<Timestamp> from, until;  // none: since before the records; until now
    bool operator==(Stay const&) const = default;
};

struct Instrument {
    std::string serial;
    std::vector<Stay> stays;  // in order of time, the last one without an end

    [[nodiscard]] std::string const& where() const { return stays.back().probe; }  // empty: the workshop
};

// Whether a record says anything of where instruments are.
[[nodiscard]] bool moves_instruments(Record const& record);

class Instruments {
public:
    // `configured`: the serial of each position that has one, by probe. `records`: in any order; voided ones
    // count for nothing, and of two of one instant the later kept counts after. A record without a serial
    // moves nothing, except that a probe_swap without one puts an instrument that nobody named in place.
    //
    // What was in a position before its first swap is told by a record that names it, or by the
    // configuration - unless that names what a later swap brought, as a file does that was put right
    // afterwards.
    Instruments(std::map<std::string, std::string> const& configured, std::span<KeptRecord const> records);

    [[nodiscard]] std::map<std::string, Instrument> const& all() const { return all_; }  // by serial
    // Empty: nobody named what is there.
    [[nodiscard]] std::string serial_at(std::string const& probe, Timestamp time) const;
    [[nodiscard]] std::string serial_now(std::string const& probe) const;

private:
    void begin(std::string const& probe, std::string const& serial);
    void swap(Record const& record);
    void leave(std::string const& serial, Timestamp time);
    void enter(std::string const& serial, std::string const& probe, std::optional<Timestamp> time);

    std::map<std::string, Instrument> all_;
    std::map<std::string, std::string> now_;  // serial, by position
    struct Held {
        std::string serial;
        std::optional<Timestamp> from, until;
    };
    std::map<std::string, std::vector<Held>> held_;  // by position
};

}  // namespace probekeeper::service
