// A column of integers as few bytes. Private to this room.
//
// Each is told from those before it (the last one, the mean of the last two, four or eight, the line through
// the last two, or nothing, whichever suits the column best: a mean takes away what the noise of the last one
// adds). Of what is left the lowest bits, which are as good as random where a column is noisy, go to the
// noise as they are; the rest is laid out in planes, all lowest bytes first: of a quiet signal only the
// lowest plane then holds anything.
#pragma once

#include <span>

#include "store/noise.h"

namespace probekeeper::store {

// `values` is used as room to work in. Without `noise` only in the ways of the first form of columns.
void write_integers(ByteWriter& out, std::span<std::int64_t> values, NoiseWriter* noise = nullptr);
// As many as were written. What was written without noise is read with it too.
void read_integers(ByteReader& in, std::span<std::int64_t> values, NoiseReader* noise = nullptr);

}  // namespace probekeeper::store
