#include "live/record_book.h"

#include <catch2/catch.hpp>

#include <algorithm>
#include <set>

#include "diagnosis/rig.h"
#include "service/questions.h"

namespace probekeeper::live {
namespace {

using diagnosis::test::day_one;

// Of one site: some close in time, some of one name, some voided.
std::vector<service::KeptRecord> many() {
    std::vector<service::KeptRecord> records;
    for (int k = 0; k < 400; ++k) {
        service::KeptRecord kept;
        kept.number = k * 7919 % 401;
        kept.record.time = day_one + std::chrono::minutes{k * 7907 % 6000};
        kept.record.probe = "tank-" + std::to_string(k % 3);
        kept.record.visit = k % 4 == 0 ? "round-" + std::to_string(k % 5) : "";
        if (k % 11 == 0) {
            kept.voided_at = day_one;
        }
        records.push_back(std::move(kept));
    }
    return records;
}

TEST_CASE("the records of one visit are those that comparing each with each finds", "[live][records]") {
    auto const records = many();
    RecordBook book{2};
    for (auto const& record : records) {
        book.keep(1, record);
    }
    CHECK(book.all().size() == records.size());
    std::size_t by_name_alone = 0;
    for (auto const& one : records) {
        std::multiset<std::pair<Timestamp, std::string>> expected, found;
        for (auto const& other : records) {
            if (!other.voided_at && service::of_one_visit(other.record, one.record)) {
                expected.emplace(other.record.time, other.record.probe);
                auto const apart = std::chrono::abs(other.record.time - one.record.time);
                by_name_alone += apart >= service::one_visit ? 1 : 0;
            }
        }
        for (auto const* other : book.of_one_visit(1, one.record)) {
            found.emplace(other->time, other->probe);
        }
        CHECK(found == expected);
        CHECK(book.of_one_visit(0, one.record).empty());  // another site
        auto const* const same = book.same(1, one.record);
        CHECK((same == nullptr) == one.voided_at.has_value());
        CHECK((same == nullptr || same->number == one.number));
    }
    CHECK(by_name_alone > 100);
}

TEST_CASE("a voided record stays in the book and is in force no longer", "[live][records]") {
    RecordBook book{1};
    auto record = many()[1];
    book.keep(0, record);
    CHECK(book.in_force(0).size() == 1);
    record.voided_at = day_one;
    book.keep(0, record);
    CHECK(book.all().size() == 1);
    CHECK(book.of(0).front().voided_at.has_value());
    CHECK(book.in_force(0).empty());
    CHECK(book.of_one_visit(0, record.record).empty());
    CHECK(book.same(0, record.record) == nullptr);
}

}  // namespace
}  // namespace probekeeper::live
