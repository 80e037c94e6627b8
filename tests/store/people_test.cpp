#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

void check_same(service::Ticket const& a, service::Ticket const& b) {
    CHECK(a.id == b.id);
    CHECK(a.number == b.number);
    CHECK(a.site == b.site);
    CHECK(a.probe == b.probe);
    CHECK(a.state == b.state);
    CHECK(a.urgency == b.urgency);
    CHECK(a.opened_at == b.opened_at);
    CHECK(a.updated_at == b.updated_at);
    CHECK(a.due == b.due);
    CHECK(a.postponed_until == b.postponed_until);
    CHECK(a.planned_for == b.planned_for);
    CHECK(a.assigned_to == b.assigned_to);
    CHECK(a.seen == b.seen);
    CHECK(a.found == b.found);
    CHECK(a.work == b.work);
    CHECK(a.meanwhile == b.meanwhile);
    CHECK(a.cautions == b.cautions);
    REQUIRE(a.parts.size() == b.parts.size());
    for (std::size_t i = 0; i < a.parts.size(); ++i) {
        CHECK(a.parts[i].part == b.parts[i].part);
        CHECK(a.parts[i].kind == b.parts[i].kind);
        CHECK(a.parts[i].quantity == b.parts[i].quantity);
    }
    REQUIRE(a.history.size() == b.history.size());
    for (std::size_t i = 0; i < a.history.size(); ++i) {
        CHECK(a.history[i].at == b.history[i].at);
        CHECK(a.history[i].state == b.history[i].state);
        CHECK(a.history[i].by == b.history[i].by);
        CHECK(a.history[i].note == b.history[i].note);
    }
    REQUIRE(a.proof.has_value() == b.proof.has_value());
    if (a.proof) {
        CHECK(a.proof->at == b.proof->at);
        CHECK(a.proof->work == b.proof->work);
        CHECK(a.proof->restored == b.proof->restored);
        CHECK(a.proof->text == b.proof->text);
        CHECK(a.proof->figures == b.proof->figures);
    }
    REQUIRE(a.reasons.size() == b.reasons.size());
    for (std::size_t i = 0; i < a.reasons.size(); ++i) {
        auto const& p = a.reasons[i].finding;
        auto const& q = b.reasons[i].finding;
        CHECK(a.reasons[i].cleared_at == b.reasons[i].cleared_at);
        CHECK(p.reason == q.reason);
        CHECK(p.raised_at == q.raised_at);
        CHECK(p.since == q.since);
        CHECK(p.due == q.due);
        CHECK(p.value == q.value);
        CHECK(p.low == q.low);
        CHECK(p.high == q.high);
        CHECK(p.limit == q.limit);
        CHECK(p.unit == q.unit);
        CHECK(p.probability == q.probability);
        CHECK(p.text == q.text);
    }
}

void check_same(service::KeptRecord const& a, service::KeptRecord const& b) {
    CHECK(a.number == b.number);
    CHECK(a.voided_at == b.voided_at);
    CHECK(a.void_why == b.void_why);
    CHECK(a.void_by == b.void_by);
    auto const& p = a.record;
    auto const& q = b.record;
    CHECK(p.time == q.time);
    CHECK(p.probe == q.probe);
    CHECK(p.kind == q.kind);
    CHECK(p.dry_zero_mg_l == q.dry_zero_mg_l);
    CHECK(p.dry_zero_found_mg_l == q.dry_zero_found_mg_l);
    CHECK(p.air_percent == q.air_percent);
    CHECK(p.reference_mg_l == q.reference_mg_l);
    CHECK(p.reference_percent == q.reference_percent);
    CHECK(p.probe_mg_l == q.probe_mg_l);
    CHECK(p.pressure_hpa == q.pressure_hpa);
    CHECK(p.serial == q.serial);
    CHECK(p.visit == q.visit);
    CHECK(p.by == q.by);
    CHECK(p.note == q.note);
}

struct Opened {
    Folder folder;
    Store store = Store::open(folder / "s.db").value();
    std::vector<ProbeKey> keys = store.enrol(fleet, day_one).value();
    Reader reader = Reader::open(folder / "s.db").value();

    Result<void> keep_ticket(service::Ticket const& ticket) {
        Changes changes;
        changes.tickets.push_back(ticket);
        return store.keep(changes);
    }
};

std::vector<std::string> ids_of(std::vector<service::Ticket> const& tickets) {
    std::vector<std::string> ids;
    for (auto const& t : tickets) {
        ids.push_back(t.id);
    }
    return ids;
}

}  // namespace

TEST_CASE("a ticket comes back with every field, and a bare one without any", "[store][tickets]") {
    Opened o;
    auto const full = full_ticket(17);
    service::Ticket bare;
    bare.id = "b-1";
    bare.site = "b";
    bare.number = 1;
    bare.probe = "b-1";
    REQUIRE(o.keep_ticket(full).has_value());
    REQUIRE(o.keep_ticket(bare).has_value());
    check_same(*o.reader.ticket("a-17").value(), full);
    check_same(*o.reader.ticket("b-1").value(), bare);
    CHECK(o.store.highest_ticket_number("a") == 17);
    CHECK(o.reader.highest_ticket_number("b").value() == 1);
    CHECK(o.reader.highest_ticket_number("c").value() == 0);
}

TEST_CASE("a ticket changes, and its history only grows", "[store][tickets]") {
    Opened o;
    auto ticket = full_ticket(1);
    REQUIRE(o.keep_ticket(ticket).has_value());
    ticket.state = service::State::closed;
    ticket.due.reset();
    ticket.reasons.pop_back();
    ticket.work = {"something_else"};
    ticket.parts.clear();
    ticket.history.push_back({day_one + Millis{9}, service::State::closed, "someone", "done"});
    REQUIRE(o.keep_ticket(ticket).has_value());
    check_same(*o.reader.ticket("a-1").value(), ticket);

    auto rewritten = ticket;
    rewritten.history[0].note = "never happened";
    rewritten.state = service::State::open;
    auto const refused = o.keep_ticket(rewritten);
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::conflict);
    CHECK_THAT(refused.error().message, Catch::Contains("ticket a-1") && Catch::Contains("appended"));
    auto shortened = ticket;
    shortened.history.pop_back();
    CHECK(o.keep_ticket(shortened).error().fault == Fault::conflict);
    check_same(*o.reader.ticket("a-1").value(), ticket);  // and nothing else of it was kept either
}

TEST_CASE("a ticket of a probe that was never enrolled is refused by name", "[store][tickets]") {
    Opened o;
    auto ticket = full_ticket(1);
    ticket.probe = "ghost";
    auto const refused = o.keep_ticket(ticket);
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::conflict);
    CHECK_THAT(refused.error().message, Catch::Contains("'ghost'"));
}

TEST_CASE("tickets are listed by opening, site and number, filtered, in pages that join",
          "[store][tickets]") {
    Opened o;
    std::vector<std::string> in_order;
    for (int i = 1; i <= 9; ++i) {
        auto t = full_ticket(i);
        t.opened_at = day_one + Millis{(10 - i) / 3};
        t.state = i % 3 == 0 ? service::State::withdrawn : service::State::open;
        t.reasons[1].finding.reason = i == 5 ? diagnosis::Reason::background : diagnosis::Reason::stuck;
        if (i % 2 == 0) {
            t.site = "b";
            t.probe = "b-1";
        }
        REQUIRE(o.keep_ticket(t).has_value());
    }
    auto const list = [&](TicketFilter const& filter) {
        return ids_of(o.reader.tickets(filter, first(100)).value().items);
    };
    in_order = list({});
    CHECK(in_order ==
          std::vector<std::string>{"a-9", "b-8", "a-5", "a-7", "b-6", "a-3", "b-2", "b-4", "a-1"});
    std::vector<std::string> paged;
    PageRequest request = first(2);
    do {
        auto const page = o.reader.tickets({}, request).value();
        CHECK(page.items.size() <= 2);
        for (auto const& id : ids_of(page.items)) {
            paged.push_back(id);
        }
        request.after = page.next;
    } while (request.after);
    CHECK(paged == in_order);

    TicketFilter filter;
    filter.site = "b";
    CHECK(list(filter) == std::vector<std::string>{"b-8", "b-6", "b-2", "b-4"});
    filter.state = service::State::withdrawn;
    CHECK(list(filter) == std::vector<std::string>{"b-6"});
    filter = {};
    filter.probe = "a-1";
    filter.unfinished_only = true;
    CHECK(list(filter) == std::vector<std::string>{"a-5", "a-7", "a-1"});
    filter = {};
    filter.reason = diagnosis::Reason::background;
    CHECK(list(filter) == std::vector<std::string>{"a-5"});
    auto const* const wrong = GENERATE("x", "1,a", "1,a,x", "1,a,2,3");
    CHECK(o.reader.tickets({}, {10, wrong}).error().fault == Fault::bad_position);
}

TEST_CASE("a ticket's name is its site, also one with dashes, and its number", "[store][tickets]") {
    CHECK(ticket_name("salt-marsh-2-17")->site == "salt-marsh-2");
    CHECK(ticket_name("salt-marsh-2-17")->number == 17);
    auto const* const none = GENERATE("", "a", "a-", "-1", "a-0", "a-01", "a-1x", "a-+1");
    CAPTURE(none);
    CHECK_FALSE(ticket_name(none));
}

TEST_CASE("service records keep every field, their order and their voiding", "[store][records]") {
    Opened o;
    auto const number = o.store.reserve_record_number();
    CHECK(number == 1);
    CHECK(o.store.reserve_record_number() == 2);
    Changes changes;
    auto const late = full_record(2, day_one);  // backdated: recorded second, done first
    changes.records = {full_record(1, day_one + days(1)), late, {3, {}, {}, {}, {}}};
    changes.records[2].record.probe = "a-2";
    changes.records[2].record.time = day_one + Millis{1};
    REQUIRE(o.store.keep(changes).has_value());
    check_same(*o.reader.service_record(1).value(), changes.records[0]);
    check_same(*o.reader.service_record(3).value(), changes.records[2]);
    CHECK_FALSE(o.reader.service_record(4).value());

    auto page = o.reader.service_records("a-1", first(1)).value();
    check_same(page.items.at(0), late);
    page = o.reader.service_records("a-1", {1, page.next}).value();
    CHECK(page.items.at(0).number == 1);
    CHECK_FALSE(page.next);
    auto const of_site = o.reader.site_records("a").value();
    REQUIRE(of_site.size() == 3);
    CHECK(of_site[0].number == 2);
    CHECK(of_site[1].number == 3);

    Changes voiding;
    voiding.voidings = {{2, day_one + days(2), "wrong probe", "t1"}};
    REQUIRE(o.store.keep(voiding).has_value());
    auto const voided = *o.reader.service_record(2).value();
    CHECK(voided.voided_at == day_one + days(2));
    CHECK(voided.void_why == "wrong probe");
    CHECK(voided.void_by == "t1");
    CHECK(o.store.keep(voiding).error().fault == Fault::conflict);  // twice
    Changes taken;
    taken.records = {full_record(1, day_one)};
    CHECK(o.store.keep(taken).error().fault == Fault::conflict);  // a number twice
}

TEST_CASE("changes that fail half-way leave nothing", "[store]") {
    Opened o;
    Changes changes;
    changes.records = {full_record(1, day_one)};
    changes.tickets = {full_ticket(1)};
    changes.tickets[0].probe = "ghost";
    REQUIRE(o.store.keep(changes).has_error());
    CHECK_FALSE(o.reader.service_record(1).value());
}

TEST_CASE("record numbers go on after the highest one in the file", "[store][records]") {
    Folder const folder;
    {
        auto store = Store::open(folder / "s.db").value();
        REQUIRE(store.enrol(fleet, day_one).has_value());
        Changes changes;
        changes.records = {full_record(41, day_one)};
        REQUIRE(store.keep(changes).has_value());
    }
    auto store = Store::open(folder / "s.db").value();
    CHECK(store.reserve_record_number() == 42);
}

TEST_CASE("an answer is found again by token, path and key for seven days", "[store][answers]") {
    Opened o;
    Changes changes;
    changes.answers = {{"alice", "/v1/x", "k1", "hash", 201, "{\"a\":1}", day_one}};
    REQUIRE(o.store.keep(changes).has_value());
    auto const found = o.reader.answer("alice", "/v1/x", "k1").value();
    REQUIRE(found);
    CHECK(found->body_hash == "hash");
    CHECK(found->status == 201);
    CHECK(found->answer == "{\"a\":1}");
    CHECK(found->at == day_one);
    CHECK_FALSE(o.reader.answer("bob", "/v1/x", "k1").value());
    CHECK_FALSE(o.reader.answer("alice", "/v1/y", "k1").value());

    changes.answers = {{"alice", "/v1/x", "k2", "hash", 200, "", day_one + days(7)}};
    REQUIRE(o.store.keep(changes).has_value());
    CHECK(o.reader.answer("alice", "/v1/x", "k1").value());
    changes.answers = {{"alice", "/v1/x", "k3", "hash", 200, "", day_one + days(7) + Millis{1}}};
    REQUIRE(o.store.keep(changes).has_value());
    CHECK_FALSE(o.reader.answer("alice", "/v1/x", "k1").value());
    CHECK(o.reader.answer("alice", "/v1/x", "k2").value());
}

TEST_CASE("what people were told of a week stays as it was, and comes back in order", "[store][rounds]") {
    Opened o;
    using What = KeptRound::What;
    Changes changes;
    changes.rounds = {{"2026-W49", What::published, day_one, "alice", "{\"revision\":1}"},
                      {"2026-W50", What::published, day_one, "", "{}"},
                      {"2026-W49", What::replanned, day_one + days(1), "bob", ""}};
    REQUIRE(o.store.keep(changes).has_value());
    auto const found = o.reader.rounds("2026-W49").value();
    REQUIRE(found.size() == 2);
    CHECK(found[0].what == What::published);
    CHECK(found[0].at == day_one);
    CHECK(found[0].by == "alice");
    CHECK(found[0].document == "{\"revision\":1}");
    CHECK(found[1].what == What::replanned);
    CHECK(o.reader.rounds("2026-W51").value().empty());
}

TEST_CASE("the proof on a ticket is kept with its figures, and goes with new work", "[store][tickets]") {
    Opened o;
    auto ticket = full_ticket(17);
    ticket.proof =
        service::Proof{day_one,
                       day_one - days(1),
                       true,
                       "response restored",
                       {{"t90", 92.1, 41.0, 82.0, "s"}, {"span", std::nullopt, 99.5, std::nullopt, "%"}}};
    REQUIRE(o.keep_ticket(ticket).has_value());
    check_same(*o.reader.ticket("a-17").value(), ticket);
    ticket.proof.reset();
    REQUIRE(o.keep_ticket(ticket).has_value());
    check_same(*o.reader.ticket("a-17").value(), ticket);
}
