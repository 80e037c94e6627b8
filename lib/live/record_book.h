// The service records of the sites that are configured, read from the store once and followed from then on.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <unordered_map>
#include <vector>

#include "fleet/fleet.h"
#include "service/record.h"
#include "store/reader.h"

namespace probekeeper::live {

class RecordBook {
public:
    RecordBook() = default;
    explicit RecordBook(std::size_t sites);  // without records
    // Throws std::runtime_error where the store cannot be read.
    RecordBook(store::Reader& reader, fleet::Fleet const& fleet);

    // Once the store has it: a record that is new, or one that was voided.
    void keep(fleet::SiteIndex site, service::KeptRecord const& record);

    // Of all sites, in no order; voided ones too.
    [[nodiscard]] std::span<service::KeptRecord const> all() const { return all_; }
    [[nodiscard]] std::vector<service::KeptRecord> of(fleet::SiteIndex site) const;  // voided ones too
    // In force at the site and later than `after`, in order of time.
    [[nodiscard]] std::vector<service::Record> in_force(fleet::SiteIndex site,
                                                        Timestamp after = Timestamp::min()) const;
    // In force at the site and of one visit with `record`, see service::of_one_visit; in no order, good until
    // the next keep(). Takes as long as there are such, not as long as there are records.
    [[nodiscard]] std::vector<service::Record const*> of_one_visit(fleet::SiteIndex site,
                                                                   service::Record const& record) const;
    // One in force at the site that says the same.
    [[nodiscard]] service::KeptRecord const* same(fleet::SiteIndex site, service::Record const& record) const;

private:
    struct Site {
        std::vector<std::size_t> places;                             // in all_, in order of (time, number)
        std::unordered_multimap<std::string, std::size_t> of_visit;  // by the visit's name
    };
    // Of the records from `time` on, where the first stands in `places`.
    [[nodiscard]] std::vector<std::size_t>::const_iterator first_from(Site const& site, Timestamp time) const;

    std::vector<service::KeptRecord> all_;
    std::unordered_map<std::int64_t, std::size_t> place_of_;  // by number
    std::vector<Site> sites_;
};

}  // namespace probekeeper::live
