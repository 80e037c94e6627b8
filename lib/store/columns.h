// One quantity of many readings as few bytes, to be compressed together with its neighbours. What comes back
// is what was given, bit for bit (any NaN comes back as not_read). Private to this room.
//
// In the coarsest form that gives every value back exactly: multiples of a decimal or binary step (what
// registers and CSV cells are, and floats that a device has rounded), rungs of a
// ladder (a converter's counts, scaled by any factor), single precision, or as they are.
#pragma once

#include <span>
#include <vector>

#include "store/integers.h"

namespace probekeeper::store {

// Without `noise` only in the ways of the first form of columns, which some other blobs have.
void write_reals(ByteWriter& out, std::span<double const> values, NoiseWriter* noise = nullptr);
// What was written without noise is read with it too.
void read_reals(ByteReader& in, std::span<double> values, NoiseReader* noise = nullptr);

}  // namespace probekeeper::store
