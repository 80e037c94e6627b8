// What was told to those who listen, who changed what, and the rounds that people were told. Private to this
// room.
#pragma once

#include <vector>

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Also forgets, now and then, all but the newest 10,000.
void save_event(Database& db, KeptEvent const& event);
[[nodiscard]] std::vector<KeptEvent> events_after(Database& db, std::int64_t id, std::size_t most);
[[nodiscard]] std::int64_t last_event(Database& db);  // 0 where there is none

void save_change(Database& db, Change const& change);
[[nodiscard]] Page<Change> changes_page(Database& db, PageRequest const& page);  // newest first

void save_round(Database& db, KeptRound const& round);
[[nodiscard]] std::vector<KeptRound> rounds_of(Database& db, std::string const& week);  // as they came

}  // namespace probekeeper::store
