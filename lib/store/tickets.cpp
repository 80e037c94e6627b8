#include <spdlog/fmt/fmt.h>

#include "store/people.h"
#include "store/position.h"
#include "store/probes.h"
#include "store/words.h"

namespace probekeeper::store {

namespace {

// The row of the ticket itself; gives its key.
std::int64_t upsert(Database& db, service::Ticket const& t) {
    // Texts are bound where they lie, and must lie there until the query has run.
    auto const found = t.found ? std::optional{to_word(*t.found)} : std::nullopt;
    auto const planned_for = t.planned_for ? std::optional{to_text(*t.planned_for)} : std::nullopt;
    auto const proof_text = t.proof ? std::optional<std::string_view>{t.proof->text} : std::nullopt;
    Query query{
        db,
        "INSERT INTO tickets (site_id, number, probe_key, state, urgency, opened_at_ms, updated_at_ms, "
        "due_ms,"
        " postponed_until_ms, planned_for, assigned_to, seen_ms, found, meanwhile, proof_at_ms, "
        "proof_work_ms,"
        " proof_restored, proof_text)"
        " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
        " ON CONFLICT (site_id, number) DO UPDATE SET probe_key = excluded.probe_key, state = excluded.state,"
        " urgency = excluded.urgency, opened_at_ms = excluded.opened_at_ms,"
        " updated_at_ms = excluded.updated_at_ms, due_ms = excluded.due_ms,"
        " postponed_until_ms = excluded.postponed_until_ms, planned_for = excluded.planned_for, assigned_to "
        "= excluded.assigned_to,"
        " seen_ms = excluded.seen_ms, found = excluded.found, meanwhile = excluded.meanwhile,"
        " proof_at_ms = excluded.proof_at_ms, proof_work_ms = excluded.proof_work_ms,"
        " proof_restored = excluded.proof_restored, proof_text = excluded.proof_text"
        " RETURNING ticket_key",
        t.site,
        t.number,
        key_of(db, t.probe),
        to_word(t.state),
        to_word(t.urgency),
        t.opened_at,
        t.updated_at,
        t.due,
        t.postponed_until,
        planned_for,
        t.assigned_to,
        t.seen,
        found,
        t.meanwhile,
        t.proof ? std::optional{t.proof->at} : std::nullopt,
        t.proof ? std::optional{t.proof->work} : std::nullopt,
        t.proof ? std::optional{t.proof->restored} : std::nullopt,
        proof_text};
    std::int64_t key = 0;
    while (query.row()) {
        key = query.integer();
    }
    return key;
}

void save_reasons(Database& db, std::int64_t key, std::vector<service::TicketReason> const& reasons) {
    Query{db, "DELETE FROM ticket_reasons WHERE ticket_key = ?", key}.run();
    for (std::size_t i = 0; i < reasons.size(); ++i) {
        auto const& f = reasons[i].finding;
        Query{db,
              "INSERT INTO ticket_reasons (ticket_key, place, code, raised_at_ms, since_ms, due_ms, "
              "cleared_at_ms,"
              " value, low, high, limit_value, unit, probability, text) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
              key,
              i,
              to_word(f.reason),
              f.raised_at,
              f.since,
              f.due,
              reasons[i].cleared_at,
              f.value,
              f.low,
              f.high,
              f.limit,
              f.unit,
              f.probability,
              f.text}
            .run();
    }
}

void save_lists(Database& db, std::int64_t key, service::Ticket const& t) {
    Query{db, "DELETE FROM ticket_work WHERE ticket_key = ?", key}.run();
    Query{db, "DELETE FROM ticket_parts WHERE ticket_key = ?", key}.run();
    Query{db, "DELETE FROM ticket_cautions WHERE ticket_key = ?", key}.run();
    for (std::size_t i = 0; i < t.work.size(); ++i) {
        Query{db, "INSERT INTO ticket_work (ticket_key, place, work) VALUES (?,?,?)", key, i, t.work[i]}
            .run();
    }
    for (std::size_t i = 0; i < t.parts.size(); ++i) {
        auto const& p = t.parts[i];
        Query{db,
              "INSERT INTO ticket_parts (ticket_key, place, part, kind, quantity) VALUES (?,?,?,?,?)",
              key,
              i,
              p.part,
              p.kind,
              p.quantity}
            .run();
    }
    for (std::size_t i = 0; i < t.cautions.size(); ++i) {
        Query{db, "INSERT INTO ticket_cautions (ticket_key, place, caution) VALUES (?,?,?)", key, i,
              t.cautions[i]}
            .run();
    }
}

void save_proof(Database& db, std::int64_t key, std::optional<service::Proof> const& proof) {
    Query{db, "DELETE FROM ticket_proof WHERE ticket_key = ?", key}.run();
    for (std::size_t i = 0; proof && i < proof->figures.size(); ++i) {
        auto const& f = proof->figures[i];
        Query{db,
              "INSERT INTO ticket_proof (ticket_key, place, quantity, before, after, limit_value, unit)"
              " VALUES (?,?,?,?,?,?,?)",
              key,
              i,
              f.quantity,
              f.before,
              f.after,
              f.limit,
              f.unit}
            .run();
    }
}

std::vector<service::ProofFigure> read_proof(Database& db, std::int64_t key) {
    Query query{db,
                "SELECT quantity, before, after, limit_value, unit FROM ticket_proof WHERE ticket_key = ? "
                "ORDER BY place",
                key};
    std::vector<service::ProofFigure> found;
    while (query.row()) {
        service::ProofFigure f;
        f.quantity = query.text();
        f.before = query.maybe_real();
        f.after = query.maybe_real();
        f.limit = query.maybe_real();
        f.unit = query.text();
        found.push_back(std::move(f));
    }
    return found;
}

std::vector<service::HistoryEntry> read_history(Database& db, std::int64_t key) {
    Query query{db,
                "SELECT at_ms, state, by_whom, note FROM ticket_history WHERE ticket_key = ? ORDER BY place",
                key};
    std::vector<service::HistoryEntry> found;
    while (query.row()) {
        service::HistoryEntry entry;
        entry.at = query.time();
        auto const state = query.text();
        entry.state = known(service::state_of(state), state);
        entry.by = query.text();
        entry.note = query.text();
        found.push_back(std::move(entry));
    }
    return found;
}

bool same(service::HistoryEntry const& a, service::HistoryEntry const& b) {
    return a.at == b.at && a.state == b.state && a.by == b.by && a.note == b.note;
}

void append_history(Database& db, std::int64_t key, service::Ticket const& t) {
    auto const stored = read_history(db, key);
    if (t.history.size() < stored.size() ||
        !std::equal(stored.begin(), stored.end(), t.history.begin(), same)) {
        refuse(Fault::conflict,
               fmt::format(
                   "ticket {}-{}: its history of {} entries does not continue the stored one of {}: it may "
                   "only be appended to, so take the ticket from the store before changing it",
                   t.site, t.number, t.history.size(), stored.size()));
    }
    for (auto i = stored.size(); i < t.history.size(); ++i) {
        auto const& entry = t.history[i];
        Query{db,
              "INSERT INTO ticket_history (ticket_key, place, at_ms, state, by_whom, note) VALUES "
              "(?,?,?,?,?,?)",
              key,
              i,
              entry.at,
              to_word(entry.state),
              entry.by,
              entry.note}
            .run();
    }
}

// Of each ticket first its own row; lists follow by its key.
constexpr char const* select_tickets =
    "SELECT ticket_key, t.site_id, number, probe_id, state, urgency, opened_at_ms, updated_at_ms, due_ms,"
    " postponed_until_ms, planned_for, assigned_to, seen_ms, found, meanwhile, proof_at_ms, proof_work_ms,"
    " proof_restored, proof_text FROM tickets t JOIN probes USING (probe_key)";

struct KeyedTicket {
    std::int64_t key = 0;
    service::Ticket ticket;
};

KeyedTicket ticket_from(Query& row) {
    KeyedTicket keyed;
    auto& t = keyed.ticket;
    keyed.key = row.integer();
    t.site = row.text();
    t.number = row.integer();
    t.id = fmt::format("{}-{}", t.site, t.number);
    t.probe = row.text();
    auto const state = row.text();
    t.state = known(service::state_of(state), state);
    auto const urgency = row.text();
    t.urgency = known(service::urgency_of(urgency), urgency);
    t.opened_at = row.time();
    t.updated_at = row.time();
    t.due = row.maybe_time();
    t.postponed_until = row.maybe_time();
    if (auto const day = row.maybe_text()) {
        t.planned_for = known(parse_date(*day), *day);
    }
    t.assigned_to = row.maybe_text();
    t.seen = row.maybe_time();
    if (auto const found = row.maybe_text()) {
        t.found = known(service::found_of(*found), *found);
    }
    t.meanwhile = row.text();
    if (auto const at = row.maybe_time()) {
        service::Proof proof;
        proof.at = *at;
        proof.work = row.time();
        proof.restored = row.integer() != 0;
        proof.text = row.text();
        t.proof = std::move(proof);
    }
    return keyed;
}

std::vector<service::TicketReason> read_reasons(Database& db, std::int64_t key) {
    Query query{
        db,
        "SELECT code, raised_at_ms, since_ms, due_ms, cleared_at_ms, value, low, high, limit_value, unit,"
        " probability, text FROM ticket_reasons WHERE ticket_key = ? ORDER BY place",
        key};
    std::vector<service::TicketReason> found;
    while (query.row()) {
        service::TicketReason reason;
        auto& f = reason.finding;
        auto const code = query.text();
        f.reason = known(diagnosis::reason_of(code), code);
        f.raised_at = query.time();
        f.since = query.maybe_time();
        f.due = query.maybe_time();
        reason.cleared_at = query.maybe_time();
        f.value = query.maybe_real();
        f.low = query.maybe_real();
        f.high = query.maybe_real();
        f.limit = query.maybe_real();
        f.unit = query.text();
        f.probability = query.real();
        f.text = query.text();
        found.push_back(std::move(reason));
    }
    return found;
}

void read_lists(Database& db, std::int64_t key, service::Ticket& t) {
    Query work{db, "SELECT work FROM ticket_work WHERE ticket_key = ? ORDER BY place", key};
    while (work.row()) {
        t.work.push_back(work.text());
    }
    Query parts{db, "SELECT part, kind, quantity FROM ticket_parts WHERE ticket_key = ? ORDER BY place", key};
    while (parts.row()) {
        service::Part part;
        part.part = parts.text();
        part.kind = parts.text();
        part.quantity = static_cast<int>(parts.integer());
        t.parts.push_back(std::move(part));
    }
    Query cautions{db, "SELECT caution FROM ticket_cautions WHERE ticket_key = ? ORDER BY place", key};
    while (cautions.row()) {
        t.cautions.push_back(cautions.text());
    }
}

service::Ticket completed(Database& db, KeyedTicket keyed) {
    keyed.ticket.reasons = read_reasons(db, keyed.key);
    read_lists(db, keyed.key, keyed.ticket);
    keyed.ticket.history = read_history(db, keyed.key);
    if (keyed.ticket.proof) {
        keyed.ticket.proof->figures = read_proof(db, keyed.key);
    }
    return std::move(keyed.ticket);
}

}  // namespace

void save_ticket(Database& db, service::Ticket const& ticket) {
    auto const key = upsert(db, ticket);
    append_history(db, key, ticket);
    save_reasons(db, key, ticket.reasons);
    save_lists(db, key, ticket);
    save_proof(db, key, ticket.proof);
}

Page<service::Ticket> read_tickets(Database& db, TicketFilter const& filter, PageRequest const& request) {
    check_limit(request);
    std::vector<std::string> after{"-9223372036854775808", "", "0"};
    if (request.after) {
        after = position_parts(*request.after, 3);
    }
    auto const position = request.after.value_or(after[0]);
    auto const state = filter.state ? std::optional{to_word(*filter.state)} : std::nullopt;
    auto const reason = filter.reason ? std::optional{to_word(*filter.reason)} : std::nullopt;
    // An absent filter is bound as NULL, which lets everything through.
    static std::string const sql =
        std::string{select_tickets} +
        " WHERE (opened_at_ms, t.site_id, number) > (?1, ?2, ?3)"
        " AND (?4 IS NULL OR t.site_id = ?4) AND (?5 IS NULL OR probe_id = ?5) AND (?6 IS NULL OR state = ?6)"
        " AND (?7 IS NULL OR EXISTS (SELECT 1 FROM ticket_reasons r WHERE r.ticket_key = t.ticket_key AND "
        "code = ?7))"
        " AND (?8 = 0 OR state NOT IN ('verified', 'closed', 'withdrawn'))"
        " ORDER BY opened_at_ms, t.site_id, number LIMIT ?9";
    std::vector<service::Ticket> found;
    Query query{db,
                sql,
                position_number(position, after[0]),
                after[1],
                position_number(position, after[2]),
                filter.site,
                filter.probe,
                state,
                reason,
                filter.unfinished_only,
                request.limit + 1};
    while (query.row()) {
        found.push_back(completed(db, ticket_from(query)));
    }
    return cut(std::move(found), request.limit, [](service::Ticket const& t) {
        return position_of(t.opened_at, fmt::format("{},{}", t.site, t.number));
    });
}

std::optional<service::Ticket> read_ticket(Database& db, std::string const& site, std::int64_t number) {
    static std::string const sql = std::string{select_tickets} + " WHERE t.site_id = ? AND number = ?";
    Query query{db, sql, site, number};
    return query.row() ? std::optional{completed(db, ticket_from(query))} : std::nullopt;
}

std::int64_t highest_ticket_number(Database& db, std::string const& site) {
    Query query{db, "SELECT ifnull(max(number), 0) FROM tickets WHERE site_id = ?", site};
    return query.row() ? query.integer() : 0;
}

}  // namespace probekeeper::store
