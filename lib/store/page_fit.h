// How many readings make a block that fills pages. Private to this room.
//
// SQLite keeps a row in a leaf page of 4 KiB if it fits there, and else its first bytes in one and the others
// in pages of their own. Full pages come from rows of which several fit a leaf, or what is left of them does:
// of some sizes half of the file would be empty.
#pragma once

#include <cstddef>

namespace probekeeper::store {

// What share of the pages that rows of `row` bytes take they fill, 0 to 1, with a little room for them to
// vary.
[[nodiscard]] double share_filled(std::size_t row);
// Of how many readings a block should be, from `least` to `most`, where a reading takes `a_reading` bytes.
[[nodiscard]] std::size_t readings_to_fill(double a_reading, std::size_t least, std::size_t most);

}  // namespace probekeeper::store
