// A damaged store is set aside: renamed beside its place, with the time, and never changed or deleted. What
// people wrote and what was learned goes over into a new one as far as it is whole.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace probekeeper::store {

class Database;

// Where so many lie already the disk or the memory is failing, and another one would only fill the disk: then
// it is refused.
inline constexpr std::size_t most_set_aside = 5;
// Readings go over too from a file of up to this size, which takes some seconds. Of a larger one they stay
// where they are.
inline constexpr std::uintmax_t bulk_bytes_most = std::uintmax_t{1} << 28U;

struct SetAside {
    std::filesystem::path where;  // of the damaged file; its log is beside it
    std::string why;
    std::vector<std::string> carried, left;  // tables that went over into the new store, and that did not
};

// The files that were set aside from `store` and still lie there, by name.
[[nodiscard]] std::vector<std::filesystem::path> set_aside_of(std::filesystem::path const& store);

// Private to the room. The caller holds the store's lock, and nobody has it open. Throws Failed where it
// cannot be renamed, and beyond most_set_aside.
[[nodiscard]] SetAside set_aside(std::filesystem::path const& store, std::string why);
// Into `fresh`, which is new and of today's layout. A table goes over where the check of SQLite finds nothing
// wrong with it, and what it refers to went over; of readings each block by itself, where it can be read and
// Bulk asks for it.
enum class Bulk : std::uint8_t { where_small, never };
void carry_over(Database& fresh, SetAside& aside, Bulk bulk);

}  // namespace probekeeper::store
