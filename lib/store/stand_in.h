// A store that stands in for one whose disk cannot be written when the daemon starts. It lies elsewhere, in
// memory where that can be had, and knows what people wrote and what was learned, as far as it can be read;
// of readings those that come meanwhile, which go home once the disk is well. Nothing else of it is kept:
// diagnosis is made again at home.
#pragma once

#include <cstdint>
#include <filesystem>

#include "store/store.h"

namespace probekeeper::store {

// How much it may grow beyond what it knows of the other: then it is full, as a disk is.
inline constexpr std::int64_t stand_in_bytes_most = std::int64_t{64} << 20U;

// In a new folder for this user alone, under $RUNTIME_DIRECTORY, /dev/shm or the folder of temporary files,
// the first that can be written. Fault::io where none can.
[[nodiscard]] Result<std::filesystem::path> new_stand_in();
// Opens the stand-in `file`; where it is not there yet it is made, with what can be read of `store`.
[[nodiscard]] Result<Store> open_stand_in(std::filesystem::path const& file,
                                          std::filesystem::path const& store);
// Gives the readings and the downtimes that came meanwhile to the store itself, and how many readings these
// are. May be called again after a failure.
[[nodiscard]] Result<std::uint64_t> bring_home(std::filesystem::path const& stand_in, Store& store,
                                               Timestamp now);
// With its folder.
void remove_stand_in(std::filesystem::path const& stand_in);

}  // namespace probekeeper::store
