#include "service/history.h"

#include "service/proof.h"

namespace probekeeper::service {

Tells tells(HistoryEntry const& entry) {
    if (entry.by != daemon_name) {
        return Tells::step;
    }
    for (auto const begin : {opened_note, joined_note, still_wrong_note}) {
        if (entry.note.starts_with(begin)) {
            return Tells::reason;
        }
    }
    return entry.note.starts_with(back_note) || entry.note.starts_with(cleared_note) ? Tells::aside
                                                                                     : Tells::step;
}

}  // namespace probekeeper::service
