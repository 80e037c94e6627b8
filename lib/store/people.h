// What people rely on and did: tickets, service records, answers to their requests. Private to this room;
// writing functions run inside a transaction of the caller's.
#pragma once

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

void save_ticket(Database& db, service::Ticket const& ticket);
[[nodiscard]] Page<service::Ticket> read_tickets(Database& db, TicketFilter const& filter,
                                                 PageRequest const& page);
[[nodiscard]] std::optional<service::Ticket> read_ticket(Database& db, std::string const& site,
                                                         std::int64_t number);
[[nodiscard]] std::int64_t highest_ticket_number(Database& db, std::string const& site);

void save_record(Database& db, service::KeptRecord const& record);
void void_record(Database& db, Voiding const& voiding);
[[nodiscard]] Page<service::KeptRecord> read_records(Database& db, std::string const& probe,
                                                     PageRequest const& page);
[[nodiscard]] std::optional<service::KeptRecord> read_record(Database& db, std::int64_t number);
[[nodiscard]] std::vector<service::KeptRecord> read_site_records(Database& db, std::string const& site);
[[nodiscard]] std::int64_t highest_record_number(Database& db);

// Also forgets the answers older than 7 days at that time.
void save_answer(Database& db, KeptAnswer const& answer);
[[nodiscard]] std::optional<KeptAnswer> read_answer(Database& db, std::string const& token,
                                                    std::string const& path, std::string const& key);

void save_out_of_use(Database& db, service::OutOfUse const& told);
[[nodiscard]] std::vector<service::OutOfUse> read_out_of_use(Database& db);
[[nodiscard]] std::optional<service::OutOfUse> read_out_of_use(Database& db, std::int64_t number);
[[nodiscard]] std::vector<service::KeptRecord> read_all_records(Database& db);

void save_downtime(Database& db, Downtime const& downtime);
[[nodiscard]] std::vector<Downtime> read_downtimes(Database& db, Timestamp ending_after);

}  // namespace probekeeper::store
