// The service records of the sites that are configured, read from the store once and followed from then on.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "fleet/fleet.h"
#include "service/record.h"
#include "store/reader.h"

namespace probekeeper::live {

class RecordBook {
public:
    RecordBook() = default;
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
    // One in force at the site that says the same.
    [[nodiscard]] service::KeptRecord const* same(fleet::SiteIndex site, service::Record const& record) const;

private:
    std::vector<service::KeptRecord> all_;
    std::vector<std::vector<std::size_t>> of_site_;  // places in all_, in order of (time, number)
};

}  // namespace probekeeper::live
