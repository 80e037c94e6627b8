#include "live/record_book.h"

#include <algorithm>
#include <tuple>

#include "service/questions.h"

namespace probekeeper::live {

RecordBook::RecordBook(std::size_t sites) : sites_(sites) {}

RecordBook::RecordBook(store::Reader& reader, fleet::Fleet const& fleet) : RecordBook{fleet.sites.size()} {
    for (fleet::SiteIndex site = 0; site < fleet.sites.size(); ++site) {
        for (auto const& record :
             reader.site_records(fleet.sites[site].id).value()) {  // throws store::Failed
            keep(site, record);
        }
    }
}

void RecordBook::keep(fleet::SiteIndex site, service::KeptRecord const& record) {
    auto const [known, is_new] = place_of_.emplace(record.number, all_.size());
    if (!is_new) {
        all_[known->second] = record;
        return;
    }
    auto& [places, of_visit] = sites_[site];
    auto const key = [](service::KeptRecord const& r) { return std::tuple{r.record.time, r.number}; };
    auto const behind = std::upper_bound(
        places.begin(), places.end(), record,
        [&](service::KeptRecord const& r, std::size_t place) { return key(r) < key(all_[place]); });
    places.insert(behind, all_.size());
    if (!record.record.visit.empty()) {
        of_visit.emplace(record.record.visit, all_.size());
    }
    all_.push_back(record);
}

std::vector<service::KeptRecord> RecordBook::of(fleet::SiteIndex site) const {
    std::vector<service::KeptRecord> records;
    for (auto const place : sites_[site].places) {
        records.push_back(all_[place]);
    }
    return records;
}

std::vector<service::Record> RecordBook::in_force(fleet::SiteIndex site, Timestamp after) const {
    std::vector<service::Record> records;
    for (auto const place : sites_[site].places) {
        auto const& kept = all_[place];
        if (!kept.voided_at && kept.record.time > after) {
            records.push_back(kept.record);
        }
    }
    return records;
}

std::vector<service::Record const*> RecordBook::of_one_visit(fleet::SiteIndex site,
                                                             service::Record const& record) const {
    auto const& here = sites_[site];
    std::vector<service::Record const*> found;
    auto const add = [&](std::size_t place) {
        if (!all_[place].voided_at) {
            found.push_back(&all_[place].record);
        }
    };
    auto const near = [&](service::Record const& other) {
        return std::chrono::abs(other.time - record.time) < service::one_visit;
    };
    for (auto at = first_from(here, record.time - service::one_visit + Millis{1});
         at != here.places.end() && near(all_[*at].record); ++at) {
        add(*at);
    }
    auto const [first, last] = here.of_visit.equal_range(record.visit);
    for (auto at = first; at != last; ++at) {
        if (!near(all_[at->second].record)) {
            add(at->second);
        }
    }
    return found;
}

service::KeptRecord const* RecordBook::same(fleet::SiteIndex site, service::Record const& record) const {
    auto const& places = sites_[site].places;
    for (auto at = first_from(sites_[site], record.time);
         at != places.end() && all_[*at].record.time == record.time; ++at) {
        if (!all_[*at].voided_at && all_[*at].record == record) {
            return &all_[*at];
        }
    }
    return nullptr;
}

std::vector<std::size_t>::const_iterator RecordBook::first_from(Site const& site, Timestamp time) const {
    return std::lower_bound(site.places.begin(), site.places.end(), time,
                            [&](std::size_t place, Timestamp t) { return all_[place].record.time < t; });
}

}  // namespace probekeeper::live
