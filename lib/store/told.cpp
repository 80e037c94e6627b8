#include "store/told.h"

#include <limits>

#include "base/text.h"

namespace probekeeper::store {
namespace {

// A client that was away longer than these last asks for the present instead: weeks of a quiet fleet, hours
// of one in uproar.
constexpr std::int64_t events_kept = 10'000;
// To find the oldest that stays means to walk past all that stay, so it is done once in so many events.
constexpr std::int64_t forget_every = 256;

}  // namespace

void save_event(Database& db, KeptEvent const& e) {
    Query{db,     "INSERT OR REPLACE INTO events (id, at_ms, kind, site_id, data) VALUES (?,?,?,?,?)",
          e.id,   e.at,
          e.kind, e.site,
          e.data}
        .run();
    if (e.id % forget_every == 0) {
        Query{db, "DELETE FROM events WHERE id <= (SELECT id FROM events ORDER BY id DESC LIMIT 1 OFFSET ?)",
              events_kept}
            .run();
    }
}

std::vector<KeptEvent> events_after(Database& db, std::int64_t id, std::size_t most) {
    Query query{db, "SELECT id, at_ms, kind, site_id, data FROM events WHERE id > ? ORDER BY id LIMIT ?", id,
                most};
    std::vector<KeptEvent> found;
    while (query.row()) {
        KeptEvent e;
        e.id = query.integer();
        e.at = query.time();
        e.kind = query.text();
        e.site = query.text();
        e.data = query.text();
        found.push_back(std::move(e));
    }
    return found;
}

std::int64_t last_event(Database& db) {
    return db.integer_of("SELECT coalesce(max(id), 0) FROM events");
}

void save_change(Database& db, Change const& c) {
    Query{db,        "INSERT INTO changes (at_ms, who, address, method, path, status) VALUES (?,?,?,?,?,?)",
          c.at,      c.who,
          c.address, c.method,
          c.path,    c.status}
        .run();
}

Page<Change> changes_page(Database& db, PageRequest const& page) {
    auto before = std::numeric_limits<std::int64_t>::max();
    if (page.after) {
        auto const given = parse_integer(*page.after);
        if (!given) {
            refuse(Fault::bad_position, "not a position that an earlier page gave as next");
        }
        before = *given;
    }
    Query query{db,
                "SELECT number, at_ms, who, address, method, path, status FROM changes WHERE number < ?"
                " ORDER BY number DESC LIMIT ?",
                before, page.limit + 1};
    Page<Change> out;
    std::int64_t last = 0;
    while (query.row()) {
        if (out.items.size() == page.limit) {
            out.next = std::to_string(last);
            break;
        }
        last = query.integer();
        Change c;
        c.at = query.time();
        c.who = query.text();
        c.address = query.text();
        c.method = query.text();
        c.path = query.text();
        c.status = static_cast<int>(query.integer());
        out.items.push_back(std::move(c));
    }
    return out;
}

void save_round(Database& db, KeptRound const& round) {
    bool const published = round.what == KeptRound::What::published;
    Query{db,
          "INSERT INTO rounds (week, what, at_ms, by_whom, document) VALUES (?,?,?,?,?)",
          round.week,
          std::string_view{published ? "published" : "replanned"},
          round.at,
          round.by,
          round.document}
        .run();
}

std::vector<KeptRound> rounds_of(Database& db, std::string const& week) {
    Query query{db, "SELECT what, at_ms, by_whom, document FROM rounds WHERE week = ? ORDER BY number", week};
    std::vector<KeptRound> found;
    while (query.row()) {
        KeptRound round;
        round.week = week;
        round.what = query.text() == "published" ? KeptRound::What::published : KeptRound::What::replanned;
        round.at = query.time();
        round.by = query.text();
        round.document = query.text();
        found.push_back(std::move(round));
    }
    return found;
}

}  // namespace probekeeper::store
