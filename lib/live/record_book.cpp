#include "live/record_book.h"

#include <algorithm>
#include <tuple>

namespace probekeeper::live {

RecordBook::RecordBook(store::Reader& reader, fleet::Fleet const& fleet) : of_site_(fleet.sites.size()) {
    for (fleet::SiteIndex site = 0; site < fleet.sites.size(); ++site) {
        auto records = reader.site_records(fleet.sites[site].id).value();  // throws store::Failed
        for (auto& record : records) {
            of_site_[site].push_back(all_.size());
            all_.push_back(std::move(record));
        }
    }
}

void RecordBook::keep(fleet::SiteIndex site, service::KeptRecord const& record) {
    auto& places = of_site_[site];
    auto const known = std::find_if(places.begin(), places.end(), [&](std::size_t place) {
        return all_[place].number == record.number;
    });
    if (known != places.end()) {
        all_[*known] = record;
        return;
    }
    auto const key = [](service::KeptRecord const& r) { return std::tuple{r.record.time, r.number}; };
    auto const behind = std::upper_bound(
        places.begin(), places.end(), record,
        [&](service::KeptRecord const& r, std::size_t place) { return key(r) < key(all_[place]); });
    places.insert(behind, all_.size());
    all_.push_back(record);
}

std::vector<service::KeptRecord> RecordBook::of(fleet::SiteIndex site) const {
    std::vector<service::KeptRecord> records;
    for (auto const place : of_site_[site]) {
        records.push_back(all_[place]);
    }
    return records;
}

std::vector<service::Record> RecordBook::in_force(fleet::SiteIndex site, Timestamp after) const {
    std::vector<service::Record> records;
    for (auto const place : of_site_[site]) {
        auto const& kept = all_[place];
        if (!kept.voided_at && kept.record.time > after) {
            records.push_back(kept.record);
        }
    }
    return records;
}

service::KeptRecord const* RecordBook::same(fleet::SiteIndex site, service::Record const& record) const {
    auto const& places = of_site_[site];
    auto const found = std::find_if(places.begin(), places.end(), [&](std::size_t place) {
        return !all_[place].voided_at && all_[place].record == record;
    });
    return found == places.end() ? nullptr : &all_[*found];
}

}  // namespace probekeeper::live
