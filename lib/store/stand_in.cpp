#include "store/stand_in.h"

#include <spdlog/fmt/fmt.h>
#include <stdlib.h>

#include <algorithm>
#include <cstdlib>
#include <string>

#include "store/reader.h"
#include "store/sqlite.h"

namespace probekeeper::store {

namespace fs = std::filesystem;

namespace {

constexpr std::size_t readings_at_once = 5'000;

std::vector<fs::path> candidates() {
    std::vector<fs::path> found;
    // NOLINTNEXTLINE(concurrency-mt-unsafe): nobody sets the environment
    if (char const* const runtime = std::getenv("RUNTIME_DIRECTORY"); runtime != nullptr) {
        found.emplace_back(runtime);
    }
    found.emplace_back("/dev/shm");
    std::error_code none;
    if (auto temporary = fs::temp_directory_path(none); !none) {
        found.push_back(std::move(temporary));
    }
    return found;
}

void append(Store& store, std::vector<ProbeReading>& readings) {
    static_cast<void>(must(store.append(readings)));
    readings.clear();
}

}  // namespace

Result<fs::path> new_stand_in() {
    for (auto const& folder : candidates()) {
        auto name = (folder / "probekeeper-XXXXXX").string();
        if (mkdtemp(name.data()) != nullptr) {
            return fs::path{name} / "stand-in";
        }
    }
    return Failure{
        Fault::io,
        "there is no folder for a stand-in of the store: $RUNTIME_DIRECTORY, /dev/shm or the folder "
        "of temporary files must be writable"};
}

Result<Store> open_stand_in(fs::path const& file, fs::path const& store) {
    return Store::open_beside(file, store, stand_in_bytes_most);
}

Result<std::uint64_t> bring_home(fs::path const& stand_in, Store& store, Timestamp now) {
    return guarded([&] {
        auto from = must(Reader::open(stand_in));
        std::vector<FleetProbe> probes;
        std::vector<std::string> ids;
        for (auto const& known : must(from.probes())) {
            if (!known.removed_at) {
                probes.push_back({known.id, known.site, known.water});
                ids.push_back(known.id);
            }
        }
        if (probes.empty()) {
            return std::uint64_t{0};
        }
        auto const keys = must(store.enrol(probes, now));
        // The stand-in knew less of when readings ended.
        auto const newest = store.newest().value_or(Timestamp::min());
        Changes changes;
        changes.downtimes = must(from.downtimes(newest));
        for (auto& downtime : changes.downtimes) {
            downtime.stopped_at = std::max(downtime.stopped_at, newest);
        }
        must(store.keep(changes));
        std::uint64_t count = 0;
        std::vector<ProbeReading> readings;
        auto stream = must(from.stream(ids, from_unix_ms(0), Timestamp::max()));
        while (auto const item = must(stream.next())) {
            readings.push_back({keys[item->place], item->reading});
            ++count;
            if (readings.size() == readings_at_once) {
                append(store, readings);
            }
        }
        append(store, readings);
        return count;
    });
}

void remove_stand_in(fs::path const& stand_in) {
    std::error_code ignored;  // what is left lies in a folder of its own
    fs::remove_all(stand_in.parent_path(), ignored);
}

}  // namespace probekeeper::store
