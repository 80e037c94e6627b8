// Probes that are parked for a while: drained, fallow, under ice.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/time.h"
#include "diagnosis/handling.h"

namespace probekeeper::service {

using diagnosis::Absence;

// As a person told it. What is wrong with it is mended by ending it: at its own `from`, it never was.
struct OutOfUse {
    std::int64_t number = 0;  // given by whoever keeps it
    std::string site;
    std::optional<std::string> probe;  // none: every probe of the site
    Timestamp from{};
    std::optional<Timestamp> until;  // none: until somebody ends it
    std::string why, by;
    Timestamp told_at{};
    std::string ended_by;  // who set or changed `until` afterwards; empty: nobody
};

// When the probe is out of use, by all that was told of it and of its site: in order, apart from each other,
// none empty.
[[nodiscard]] std::vector<diagnosis::Absence> absences_of(std::span<OutOfUse const> told,
                                                          std::string const& site, std::string const& probe);

}  // namespace probekeeper::service
