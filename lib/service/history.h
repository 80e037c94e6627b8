// What an entry of a ticket's history tells whoever hears of it.
#pragma once

#include <string_view>

#include "service/ticket.h"

namespace probekeeper::service {

// How the daemon's own notes begin.
inline constexpr std::string_view opened_note = "opened: ", joined_note = "joined: ",
                                  still_wrong_note = "after the work: ", back_note = "stands again: ",
                                  cleared_note = "cleared: ";

enum class Tells : std::uint8_t {
    reason,  // something is wrong that was not known before: opened, joined, or still wrong after the work
    step,    // the ticket moved, or somebody did something about it
    aside    // a reason came or went while the ticket stays where it is: nobody has to do anything
};
[[nodiscard]] Tells tells(HistoryEntry const& entry);

}  // namespace probekeeper::service
