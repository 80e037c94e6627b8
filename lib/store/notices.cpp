#include "store/notices.h"

namespace probekeeper::store {
namespace {

std::string_view to_word(NoticeOutcome::Became became) {
    switch (became) {
        case NoticeOutcome::Became::waiting:
            return "";
        case NoticeOutcome::Became::taken:
            return "taken";
        case NoticeOutcome::Became::gathered:
            return "gathered";
        case NoticeOutcome::Became::given_up:
            return "given_up";
    }
    return "";
}

}  // namespace

void save_notice(Database& db, Notice const& n) {
    Query{db,
          "INSERT INTO notices (notice_id, receiver, kind, site_id, at_ms, not_before_ms, digest, subject, "
          "text,"
          " document, tries, outcome) VALUES (?,?,?,?,?,?,?,?,?,?,?,'') ON CONFLICT (notice_id) DO NOTHING",
          n.id,
          n.receiver,
          n.kind,
          n.site,
          n.at,
          n.not_before,
          n.digest,
          n.subject,
          n.text,
          n.document,
          n.tries}
        .run();
}

void save_outcome(Database& db, NoticeOutcome const& outcome) {
    if (outcome.became == NoticeOutcome::Became::waiting) {
        Query{db,
              "UPDATE notices SET tries = tries + 1, not_before_ms = ? WHERE notice_id = ? AND done_at_ms IS "
              "NULL",
              outcome.not_before, outcome.id}
            .run();
        return;
    }
    Query{db, "UPDATE notices SET outcome = ?, done_at_ms = ? WHERE notice_id = ? AND done_at_ms IS NULL",
          to_word(outcome.became), outcome.at, outcome.id}
        .run();
    Query{db, "DELETE FROM notices WHERE done_at_ms < ?", outcome.at - days(400)}.run();
}

std::vector<Notice> read_waiting_notices(Database& db, std::string const& receiver, Timestamp now,
                                         std::size_t most) {
    Query query{
        db,
        "SELECT notice_id, kind, site_id, at_ms, not_before_ms, digest, subject, text, document, tries"
        " FROM notices WHERE receiver = ? AND done_at_ms IS NULL AND not_before_ms <= ?"
        " ORDER BY not_before_ms, place LIMIT ?",
        receiver, now, most};
    std::vector<Notice> found;
    while (query.row()) {
        Notice n;
        n.receiver = receiver;
        n.id = query.text();
        n.kind = query.text();
        n.site = query.text();
        n.at = query.time();
        n.not_before = query.time();
        n.digest = query.text();
        n.subject = query.text();
        n.text = query.text();
        n.document = query.text();
        n.tries = static_cast<int>(query.integer());
        found.push_back(std::move(n));
    }
    return found;
}

std::optional<Timestamp> read_next_notice(Database& db, std::string const& receiver) {
    Query query{db, "SELECT min(not_before_ms) FROM notices WHERE receiver = ? AND done_at_ms IS NULL",
                receiver};
    return query.row() ? query.maybe_time() : std::nullopt;
}

std::size_t count_waiting_notices(Database& db, std::string const& receiver) {
    Query query{db, "SELECT count(*) FROM notices WHERE receiver = ? AND done_at_ms IS NULL", receiver};
    return query.row() ? static_cast<std::size_t>(query.integer()) : 0;
}

std::vector<std::int64_t> number_sites(Database& db, std::vector<std::string> const& sites) {
    std::vector<std::int64_t> numbers;
    for (auto const& site : sites) {
        Query{db, "INSERT INTO site_numbers (site_id) VALUES (?) ON CONFLICT (site_id) DO NOTHING", site}
            .run();
        Query query{db, "SELECT number FROM site_numbers WHERE site_id = ?", site};
        numbers.push_back(query.row() ? query.integer() : 0);
    }
    return numbers;
}

}  // namespace probekeeper::store
