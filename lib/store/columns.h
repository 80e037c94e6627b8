// One quantity of many readings as few bytes, to be compressed together with its neighbours. What comes back
// is what was given, bit for bit (any NaN comes back as not_read). Private to this room.
//
// Integers: each is told from those before it (the last one, or the mean of the last two or four, whichever
// suits the column best: a mean halves what the noise of the last one adds), and what is left is laid out in
// planes, all lowest bytes first: of a quiet signal only the lowest plane then holds anything.
//
// Reals: in the coarsest form that gives every value back exactly: multiples of a decimal or binary step
// (what 16-bit registers and CSV cells are), single precision (what float32 registers are), or as they are.
#pragma once

#include <span>
#include <vector>

#include "store/bytes.h"

namespace probekeeper::store {

// `values` is used as room to work in.
void write_integers(ByteWriter& out, std::span<std::int64_t> values);
// As many as were written.
void read_integers(ByteReader& in, std::span<std::int64_t> values);

void write_reals(ByteWriter& out, std::span<double const> values);
void read_reals(ByteReader& in, std::span<double> values);

}  // namespace probekeeper::store
