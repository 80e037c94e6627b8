#include "hub/past.h"

#include "document/record.h"
#include "document/ticket.h"

namespace probekeeper::hub {

namespace {

// What no lesson needs, of a hundred thousand tickets.
void forget_prose(service::Ticket& ticket) {
    ticket.work = {};
    ticket.meanwhile = {};
    ticket.parts = {};
    ticket.cautions = {};
    ticket.proof.reset();
    for (auto& reason : ticket.reasons) {
        reason.finding.text = {};
    }
    for (auto& entry : ticket.history) {
        entry.note = {};
    }
}

constexpr char const* changed_tickets =
    "SELECT document, xid::text, site_id, number FROM probekeeper.tickets WHERE (xid, site_id, number) > "
    "($1::text::xid8, $2, $3) ORDER BY xid, site_id, number LIMIT $4";
constexpr char const* changed_records =
    "SELECT document, xid::text, site_id, number FROM probekeeper.records WHERE (xid, site_id, number) > "
    "($1::text::xid8, $2, $3) ORDER BY xid, site_id, number LIMIT $4";

// Everything that transactions from `seen` on changed, in parts that memory can hold. Whether there was any.
template <typename Read, typename Take>
bool follow(postgres::Connection& connection, char const* changed, std::string const& seen, Read const& read,
            Take const& take) {
    constexpr std::size_t at_once = 2000;
    std::string xid = seen, site;
    std::int64_t number = -1;
    bool any = false;
    while (true) {
        auto const rows = connection.run(changed, {xid, site, number, at_once});
        for (std::size_t i = 0; i < rows.size(); ++i) {
            if (auto document = read(rows.text(i, 0))) {
                take({std::string{rows.text(i, 2)}, rows.integer(i, 3)}, std::move(*document));
                any = true;
            }
        }
        if (rows.size() < at_once) {
            return any;
        }
        xid = rows.text(rows.size() - 1, 1);
        site = rows.text(rows.size() - 1, 2);
        number = rows.integer(rows.size() - 1, 3);
    }
}

}  // namespace

// Whether anything was new. A transaction that is under way now is seen next time: what it changes carries a
// number from `until` on. What is read twice is the same.
bool Past::follow(postgres::Connection& connection) {
    std::string const until{connection.run("SELECT pg_snapshot_xmin(pg_current_snapshot())").text(0, 0)};
    bool const tickets = hub::follow(connection, changed_tickets, seen_, document::ticket_of,
                                     [&](Key const& key, service::Ticket ticket) {
                                         forget_prose(ticket);
                                         tickets_[key] = std::move(ticket);
                                     });
    bool const records =
        hub::follow(connection, changed_records, seen_, document::record_of,
                    [&](Key const& key, service::KeptRecord record) { records_[key] = std::move(record); });
    seen_ = until;
    return tickets || records;
}

std::shared_ptr<live::History const> Past::now(postgres::Connection& connection, Estate::Now const& estate) {
    std::scoped_lock const lock{mutex_};
    bool const is_new = follow(connection);
    if (!is_new && history_ && estate_ == estate.version) {
        return history_;
    }
    std::vector<service::Ticket> tickets;
    for (auto const& [key, ticket] : tickets_) {
        tickets.push_back(ticket);
    }
    std::vector<service::KeptRecord> records;
    for (auto const& [key, record] : records_) {
        records.push_back(record);
    }
    history_ = std::make_shared<live::History const>(
        live::history_of(std::move(records), std::move(tickets), estate.sites, *estate.fleet));
    estate_ = estate.version;
    return history_;
}

}  // namespace probekeeper::hub
