#include "replay/recording.h"

#include <spdlog/fmt/fmt.h>

#include "intake/complete.h"
#include "replay/replay.h"
#include "store/backup.h"

namespace probekeeper::replay {
namespace {

constexpr std::size_t readings_at_once = 50'000;

void remove_store(std::filesystem::path const& store) {
    for (auto const* const suffix : {"", "-wal", "-shm", ".lock"}) {
        std::error_code ignored;
        std::filesystem::remove(store.string() + suffix, ignored);
    }
}

void refuse_if_it_holds_readings(std::filesystem::path const& place) {
    auto existing = store::Store::open(place);
    if (!existing) {
        throw WrongUsage{existing.error().message};
    }
    if (existing.value().has_readings()) {
        throw WrongUsage{fmt::format(
            "{}: this store already holds readings; name a new file, or remove this one", place.string())};
    }
}

}  // namespace

std::filesystem::path Recording::working_copy() const {
    return place_.string() + ".replay";
}

Recording::Recording(std::filesystem::path place, fleet::Fleet const& fleet) : place_{std::move(place)} {
    for (fleet::ProbeIndex probe = 0; probe < fleet.probes.size(); ++probe) {
        auto const water = intake::place_of(fleet, probe);
        fleet_.push_back({fleet.probes[probe].id,
                          fleet.sites[fleet.probes[probe].site].id,
                          {water.salinity_psu, water.pressure_hpa}});
    }
    remove_store(working_copy());
    if (std::filesystem::exists(place_)) {
        refuse_if_it_holds_readings(place_);
        must(store::backup(place_, working_copy()));
    } else if (place_.has_parent_path()) {
        folder_.emplace(place_.parent_path());
    }
    auto opened = store::Store::open(working_copy(), store::Store::Options::for_bulk());
    store_.emplace(must(std::move(opened)));
    readings_.reserve(readings_at_once);
}

Recording::~Recording() {
    store_.reset();
    remove_store(working_copy());
}

std::int64_t Recording::next_ticket_number(std::string const& site) const {
    return store_->highest_ticket_number(site) + 1;
}

void Recording::add(fleet::ProbeIndex probe, Reading const& reading) {
    if (keys_.empty()) {
        keys_ = must(store_->enrol(fleet_, reading.time));
    }
    readings_.push_back({keys_[probe], reading});
    if (readings_.size() == readings_at_once) {
        flush(store::Outlives::process);
    }
}

void Recording::add(store::ProbeTest test) {
    changes_.tests.push_back(std::move(test));
}
void Recording::add(store::ProbeDiagnosis diagnosis) {
    changes_.diagnoses.push_back(std::move(diagnosis));
}
void Recording::add(store::ProbeServiceChange change) {
    changes_.service_changes.push_back(std::move(change));
}
void Recording::add(store::Checkpoint checkpoint) {
    changes_.checkpoints.push_back(std::move(checkpoint));
}
void Recording::add(service::Ticket const& ticket) {
    changes_.tickets.push_back(ticket);
}

void Recording::add(service::Record const& record) {
    service::KeptRecord kept;
    kept.number = store_->reserve_record_number();
    kept.record = record;
    changes_.records.push_back(std::move(kept));
}

void Recording::flush(store::Outlives outlives) {
    must(store_->together(outlives, [&]() -> store::Result<void> {
        if (!readings_.empty()) {
            if (auto appended = store_->append(readings_); !appended) {
                return appended.error();
            }
        }
        return store_->keep(changes_);
    }));
    readings_.clear();
    changes_ = {};
}

void Recording::finish() {
    flush(store::Outlives::disk);
    must(store_->compact());
    store_.reset();  // works the log into the file
    remove_store(place_);
    std::filesystem::rename(working_copy(), place_);
    if (folder_) {
        folder_->keep();
    }
}

}  // namespace probekeeper::replay
