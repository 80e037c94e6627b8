// Messages and what became of them. Private to this room; writing functions run inside a transaction of the
// caller's.
#pragma once

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Does nothing where a message of that id was there before, whatever became of it.
void save_notice(Database& db, Notice const& notice);
// Also forgets, of messages that are done, those that are 400 days old at that time.
void save_outcome(Database& db, NoticeOutcome const& outcome);
[[nodiscard]] std::vector<Notice> read_waiting_notices(Database& db, std::string const& receiver,
                                                       Timestamp now, std::size_t most);
[[nodiscard]] std::optional<Timestamp> read_next_notice(Database& db, std::string const& receiver);
[[nodiscard]] std::size_t count_waiting_notices(Database& db, std::string const& receiver);

// The numbers of sites, in the same order; a new one gets the next.
[[nodiscard]] std::vector<std::int64_t> number_sites(Database& db, std::vector<std::string> const& sites);

}  // namespace probekeeper::store
