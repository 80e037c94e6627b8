// Writes what a replay finds into a new store, in large groups, and moves it to its place when all went well.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "replay/outputs.h"
#include "service/record.h"
#include "store/store.h"

namespace probekeeper::replay {

class Recording {
public:
    // `place` may exist, but must hold no readings (WrongUsage). What it holds is kept.
    Recording(std::filesystem::path place, fleet::Fleet const& fleet);
    // Removes what was not moved to its place.
    ~Recording();
    Recording(Recording const&) = delete;
    Recording& operator=(Recording const&) = delete;

    void add(fleet::ProbeIndex probe, Reading const& reading);
    void add(store::ProbeTest test);
    void add(store::ProbeDiagnosis diagnosis);
    void add(store::ProbeServiceChange change);
    void add(store::Checkpoint checkpoint);
    void add(service::Record const& record);
    void add(service::Ticket const& ticket);
    // Above the numbers of the tickets that `place` already holds.
    [[nodiscard]] std::int64_t next_ticket_number(std::string const& site) const;

    // Writes the rest to the disk and moves the store to its place.
    void finish();

private:
    void flush(store::Outlives outlives);
    [[nodiscard]] std::filesystem::path working_copy() const;

    std::filesystem::path place_;
    std::optional<OutputFolder> folder_;
    std::vector<store::FleetProbe> fleet_;
    std::optional<store::Store> store_;
    std::vector<store::ProbeKey> keys_;
    std::vector<store::ProbeReading> readings_;
    store::Changes changes_;
};

}  // namespace probekeeper::replay
