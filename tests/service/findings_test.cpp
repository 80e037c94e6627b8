#include "service/findings.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

Ticket closed(std::string site, Found found, std::vector<Reason> const& reasons) {
    Ticket t;
    t.site = std::move(site);
    t.state = State::closed;
    t.found = found;
    for (auto const reason : reasons) {
        t.reasons.push_back({finding(reason, 1.0), std::nullopt});
    }
    return t;
}

std::map<std::string, fleet::SiteKind> const kinds{{"saltmarsh", fleet::SiteKind::aquaculture},
                                                   {"works", fleet::SiteKind::wastewater}};

}  // namespace

TEST_CASE("findings tell everywhere, by kind of water and by site how often each reason was right",
          "[service][findings]") {
    std::vector<Ticket> tickets;
    for (int i = 0; i < 3; ++i) {
        tickets.push_back(closed("saltmarsh", Found::as_diagnosed, {Reason::slow_response}));
    }
    tickets.push_back(closed("saltmarsh", Found::no_fault_found, {Reason::slow_response}));
    tickets.push_back(closed("works", Found::other_fault, {Reason::slow_response, Reason::fluctuation}));
    tickets.push_back(closed("works", Found::not_looked, {Reason::fluctuation}));

    auto const all = tally_findings(tickets, kinds);
    REQUIRE(all.size() == 2 + 3 + 3);
    CHECK(all[0].reason == Reason::slow_response);
    CHECK_FALSE(all[0].site);
    CHECK_FALSE(all[0].kind);
    CHECK(all[0].as_diagnosed == 3);
    CHECK(all[0].looked() == 5);
    CHECK(all[0].right() == 0.6);
    REQUIRE(all[0].right_interval());
    CHECK(all[0].right_interval()->first < 0.6);
    CHECK(all[0].right_interval()->second > 0.6);
    CHECK(all[2].kind == fleet::SiteKind::aquaculture);
    CHECK(all[2].right() == 0.75);
    CHECK(all[5].site == "saltmarsh");
    CHECK(all[5].kind == fleet::SiteKind::aquaculture);
    CHECK(all[7].site == "works");
    CHECK(all[7].reason == Reason::fluctuation);
    CHECK(all[7].looked() == 1);
    CHECK(all[7].not_looked == 1);
    CHECK(all[7].right() == 0.0);
}

TEST_CASE("where nobody looked nothing is said of right and wrong", "[service][findings]") {
    auto const all =
        tally_findings(std::vector{closed("saltmarsh", Found::not_looked, {Reason::stuck})}, kinds);
    REQUIRE(all.size() == 3);
    CHECK(all[0].closed() == 1);
    CHECK_FALSE(all[0].right());
    CHECK_FALSE(all[0].right_interval());
}

TEST_CASE("a ticket counts once for a reason that it carries twice, and not while it is not closed",
          "[service][findings]") {
    auto open = closed("saltmarsh", Found::as_diagnosed, {Reason::stuck});
    open.found.reset();
    auto const twice = closed("gone", Found::as_diagnosed, {Reason::stuck, Reason::stuck});
    auto const all = tally_findings(std::vector{open, twice}, kinds);
    REQUIRE(all.size() == 2);  // of a site that is gone the kind of water is not known
    CHECK(all[0].closed() == 1);
    CHECK(all[1].site == "gone");
    CHECK_FALSE(all[1].kind);
}
