// Whatever diagnoses, records and people do in whatever order, a few things always hold.
#include <catch2/catch.hpp>

#include <map>
#include <random>
#include <tuple>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

using Figures =
    std::tuple<std::string, State, Urgency, Timestamp, std::optional<Timestamp>, std::size_t,
               std::vector<std::tuple<Reason, Timestamp, std::optional<Timestamp>, std::optional<double>>>>;

std::vector<Figures> figures(TicketBook const& book) {
    std::vector<Figures> all;
    for (auto const& [number, t] : book.tickets()) {
        Figures f{t.id, t.state, t.urgency, t.updated_at, t.due, t.history.size(), {}};
        for (auto const& r : t.reasons) {
            std::get<6>(f).emplace_back(r.finding.reason, r.finding.raised_at, r.cleared_at, r.finding.value);
        }
        all.push_back(std::move(f));
    }
    return all;
}

// A probe whose reasons come and go, as trackers make them: raised at the instant of the diagnosis.
class RandomProbe {
public:
    RandomProbe(std::string id, std::mt19937& random) : facts_{probe(std::move(id))}, random_{random} {}

    Diagnosis next(double day) {
        for (int i = 0; i < static_cast<int>(diagnosis::reason_count); ++i) {
            auto const reason = static_cast<Reason>(i);
            auto const stands = standing_.find(reason);
            if (stands == standing_.end() && chance(0.02)) {
                standing_[reason] = finding(reason, day);
                standing_[reason].value = 50.0;
            } else if (stands != standing_.end() && chance(0.15)) {
                standing_.erase(stands);
            } else if (stands != standing_.end()) {
                *stands->second.value *= 1.0 + (chance(0.5) ? 0.02 : -0.02);
            }
        }
        auto d = diagnosed(day);
        for (auto const& [reason, f] : standing_) {
            d.findings.push_back(f);
        }
        tested_ = chance(0.3) ? day : tested_;
        d = tested(std::move(d), tested_);
        if (chance(0.1)) {
            d.service_state = static_cast<diagnosis::ServiceState>(std::uniform_int_distribution{
                0, static_cast<int>(diagnosis::ServiceState::out_of_use)}(random_));
        }
        return d;
    }
    [[nodiscard]] ProbeFacts const& facts() const { return facts_; }

private:
    bool chance(double p) { return std::bernoulli_distribution{p}(random_); }

    ProbeFacts facts_;
    std::mt19937& random_;
    std::map<Reason, Finding> standing_;
    double tested_ = -1.0;
};

void act_at_random(TicketBook& book, Ticket const& ticket, double day, std::mt19937& random) {
    auto const at = at_day(day);
    switch (std::uniform_int_distribution{0, 6}(random)) {
        case 0:
            (void)book.acknowledge(ticket.id, "anna", "", at);
            break;
        case 1:
            (void)book.plan(ticket.id, "anna", std::chrono::year{2026} / 3 / 5, "t1", at);
            break;
        case 2:
            (void)book.postpone(ticket.id, "anna", at + days(3.0), "", at);
            break;
        case 3:
            (void)book.visit(ticket.id, "t1", Outcome::done, at);
            break;
        case 4:
            (void)book.close(ticket.id, "anna", Found::as_diagnosed, "", at);
            break;
        case 5:
            (void)book.withdraw_probe(ticket.probe, at, "removed");
            break;
        default:
            (void)book.record(work(day, Work::membrane_wipe, ticket.probe));
    }
}

void check_always(TicketBook const& book, std::map<std::string, State> const& states_before) {
    std::map<std::string, int> unfinished;
    for (auto const& [number, t] : book.tickets()) {
        unfinished[t.probe] += is_finished(t.state) ? 0 : 1;
        REQUIRE(unfinished[t.probe] <= 1);
        REQUIRE_FALSE(t.history.empty());
        REQUIRE(t.history.back().state == t.state);
        REQUIRE(t.history.size() <= 1000);
        auto const before = states_before.find(t.id);
        if (before != states_before.end() && is_finished(before->second)) {
            REQUIRE(t.state == before->second);
        }
        if (t.state == State::withdrawn || t.state == State::verified || t.state == State::closed) {
            REQUIRE((book.unfinished(t.probe) == nullptr || book.unfinished(t.probe)->number != t.number));
        }
    }
}

std::map<std::string, State> states(TicketBook const& book) {
    std::map<std::string, State> all;
    for (auto const& [number, t] : book.tickets()) {
        all[t.id] = t.state;
    }
    return all;
}

std::vector<Ticket> stored(TicketBook const& book) {
    std::vector<Ticket> all;
    for (auto const& [number, t] : book.tickets()) {
        all.push_back(t);
    }
    return all;
}

}  // namespace

TEST_CASE("at random: one unfinished ticket a probe, no state without history, the end is the end",
          "[service][random]") {
    auto const seed = GENERATE(range(1U, 21U));
    CAPTURE(seed);
    std::mt19937 random{seed};
    auto tickets = book();
    std::vector<RandomProbe> probes{{"tank-1", random}, {"tank-2", random}, {"tank-3", random}};
    for (int step = 0; step < 400; ++step) {
        double const day = 1.0 + step * 0.25;
        for (auto& p : probes) {
            auto const before = states(tickets);
            for (auto const& changed : tickets.consider(p.facts(), p.next(day))) {
                REQUIRE(tickets.find(changed.id)->updated_at == changed.updated_at);
            }
            auto const* const ticket = tickets.unfinished(p.facts().id);
            if (ticket != nullptr && std::bernoulli_distribution{0.1}(random)) {
                act_at_random(tickets, *ticket, day + 0.1, random);
            }
            check_always(tickets, before);
        }
    }
    REQUIRE(tickets.tickets().size() > 3);
}

TEST_CASE("at random: the same diagnoses fed again change nothing, with and without a restart",
          "[service][random]") {
    auto const seed = GENERATE(range(1U, 21U));
    CAPTURE(seed);
    std::mt19937 random{seed};
    auto tickets = book();
    RandomProbe one{"tank-1", random};
    std::vector<Diagnosis> fed;
    for (int step = 0; step < 300; ++step) {
        double const day = 1.0 + step * 0.25;
        fed.push_back(one.next(day));
        tickets.consider(one.facts(), fed.back());
        if (auto const* const ticket = tickets.unfinished("tank-1");
            ticket != nullptr && std::bernoulli_distribution{0.05}(random)) {
            tickets.record(work(day + 0.01, Work::membrane_change));
        }
    }
    auto const before = figures(tickets);
    REQUIRE(before.size() > 1);
    TicketBook restarted{"saltmarsh", tickets.next_number(), stored(tickets)};
    for (auto const& d : fed) {
        CHECK(tickets.consider(one.facts(), d).empty());
        CHECK(restarted.consider(one.facts(), d).empty());
    }
    CHECK(figures(tickets) == before);
    CHECK(figures(restarted) == before);
}

TEST_CASE("at random: a restart at any diagnosis, fed some again, ends as if there had been none",
          "[service][random]") {
    auto const seed = GENERATE(range(1U, 21U));
    CAPTURE(seed);
    std::mt19937 random{seed};
    auto straight = book();
    auto restarting = book();
    RandomProbe one{"tank-1", random};
    std::vector<Diagnosis> fed;
    for (std::size_t step = 0; step < 300; ++step) {
        fed.push_back(one.next(1.0 + static_cast<double>(step) * 0.25));
        straight.consider(one.facts(), fed.back());
        restarting.consider(one.facts(), fed.back());
        if (step % 37 == 36) {
            restarting = TicketBook{"saltmarsh", 1, stored(restarting)};
            for (auto again = step - 20; again <= step; ++again) {
                restarting.consider(one.facts(), fed[again]);
            }
        }
    }
    if (straight.tickets().empty()) {
        FAIL("the seed raised nothing");
    }
    CHECK(figures(straight) == figures(restarting));
}
