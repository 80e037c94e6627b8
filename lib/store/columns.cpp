#include "store/columns.h"

#include <algorithm>
#include <optional>

#include "base/reading.h"
#include "store/bit_order.h"
#include "store/grain.h"
#include "store/ladder.h"

namespace probekeeper::store {

namespace {

// Stored; never renumber. From times_single on only beside noise (columns.h).
enum class Form : std::uint8_t {
    none,
    same,
    times,
    over,
    single,
    full,
    times_single,
    over_single,
    rungs,
    rungs_single
};

std::int64_t bits_of(double v) {
    return std::bit_cast<std::int64_t>(v);
}

using Integers = std::vector<std::int64_t>;

Integers as_integers(std::span<double const> v, bool single) {
    Integers whole(v.size());
    if (single) {
        std::transform(v.begin(), v.end(), whole.begin(),
                       [](double x) { return ordered(x, /*single=*/true); });
    } else {
        std::transform(v.begin(), v.end(), whole.begin(), bits_of);
    }
    return whole;
}

void to_reals(std::span<std::int64_t const> whole, bool single, std::span<double> v) {
    if (single) {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [](std::int64_t k) { return real_of(k, /*single=*/true); });
    } else {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [](std::int64_t k) { return std::bit_cast<double>(k); });
    }
}

// --- the forms of what was read

void write_form(ByteWriter& out, Form form) {
    out.byte(static_cast<std::uint8_t>(form));
}

void write_grains(ByteWriter& out, Grain const& grain, std::span<double const> v, NoiseWriter* noise) {
    bool const times = grain.kind == Grain::Kind::times;
    write_form(out, grain.single ? (times ? Form::times_single : Form::over_single)
                                 : (times ? Form::times : Form::over));
    out.fixed(grain.by);
    Integers whole(v.size());
    std::transform(v.begin(), v.end(), whole.begin(), [&](double x) { return *grain.whole(x); });
    write_integers(out, whole, noise);
}

void write_rungs(ByteWriter& out, Ladder const& ladder, std::span<double const> v, NoiseWriter* noise) {
    write_form(out, ladder.single ? Form::rungs_single : Form::rungs);
    out.fixed(ladder.origin);
    out.fixed(ladder.step);
    Integers rungs(v.size()), off(v.size());
    for (std::size_t i = 0; i < v.size(); ++i) {
        rungs[i] = ladder.rung(v[i]);
        off[i] = steps_beyond(v[i], ladder.real(rungs[i]), ladder.single);
    }
    write_integers(out, rungs, noise);
    write_integers(out, off, noise);
}

void read_rungs(ByteReader& in, bool single, std::span<double> v, NoiseReader* noise) {
    auto const origin = in.fixed<double>();
    Ladder const ladder{origin, in.fixed<double>(), single};
    Integers rungs(v.size()), off(v.size());
    read_integers(in, rungs, noise);
    read_integers(in, off, noise);
    for (std::size_t i = 0; i < v.size(); ++i) {
        v[i] = beyond(ladder.real(rungs[i]), off[i], single);
    }
}

std::optional<Grain> usual_grain_of(std::span<double const> v, bool single, bool in_new_ways) {
    auto const grain = usual_grain(v);
    return !grain && in_new_ways && single ? usual_single_grain(v) : grain;
}

// What rounding left of evenly spaced floats may by chance be multiples of a few steps of their precision:
// the rungs are by far the coarser then.
bool by_chance(Grain const& grain, Ladder const& ladder) {
    return ladder.step > 2.0 * grain.size();
}

void write_present(ByteWriter& out, std::span<double const> v, NoiseWriter* noise) {
    if (v.empty()) {
        return write_form(out, Form::none);
    }
    if (std::all_of(v.begin(), v.end(), [&](double x) { return bits_of(x) == bits_of(v.front()); })) {
        write_form(out, Form::same);
        return out.fixed(v.front());
    }
    bool const single = std::all_of(v.begin(), v.end(), is_single);
    if (auto const grain = usual_grain_of(v, single, noise != nullptr)) {
        return write_grains(out, *grain, v, noise);
    }
    auto const grain = noise == nullptr ? std::nullopt : exact_grain(v, single);
    auto const ladder = noise == nullptr ? std::nullopt : ladder_of(v, single);
    if (grain && !(ladder && by_chance(*grain, *ladder))) {
        return write_grains(out, *grain, v, noise);
    }
    if (ladder) {
        return write_rungs(out, *ladder, v, noise);
    }
    auto whole = as_integers(v, single);
    write_form(out, single ? Form::single : Form::full);
    write_integers(out, whole, noise);
}

void read_present(ByteReader& in, std::span<double> v, NoiseReader* noise) {
    auto const form = static_cast<Form>(in.byte());
    if (form > (noise == nullptr ? Form::full : Form::rungs_single)) {
        refuse(Fault::newer,
               "stored readings are of a form that this program does not know: run the newer version");
    }
    if (form == Form::none) {
        return;
    }
    if (form == Form::same) {
        std::fill(v.begin(), v.end(), in.fixed<double>());
        return;
    }
    Integers whole(v.size());
    if (form == Form::single || form == Form::full) {
        read_integers(in, whole, noise);
        return to_reals(whole, form == Form::single, v);
    }
    if (form == Form::rungs || form == Form::rungs_single) {
        return read_rungs(in, form == Form::rungs_single, v, noise);
    }
    Grain const grain{
        form == Form::times || form == Form::times_single ? Grain::Kind::times : Grain::Kind::over,
        form == Form::times_single || form == Form::over_single, in.fixed<double>()};
    read_integers(in, whole, noise);
    std::transform(whole.begin(), whole.end(), v.begin(), [&](std::int64_t k) { return grain.real(k); });
}

}  // namespace

// First which values were read at all: the lengths of runs of read and not read in turn, beginning with read.
void write_reals(ByteWriter& out, std::span<double const> values, NoiseWriter* noise) {
    std::vector<double> present;
    present.reserve(values.size());
    std::vector<std::size_t> runs{0};
    bool reading = true;
    for (auto const v : values) {
        if (is_read(v) != reading) {
            reading = !reading;
            runs.push_back(0);
        }
        ++runs.back();
        if (reading) {
            present.push_back(v);
        }
    }
    out.number(runs.size());
    for (auto const run : runs) {
        out.number(run);
    }
    write_present(out, present, noise);
}

void read_reals(ByteReader& in, std::span<double> values, NoiseReader* noise) {
    auto const runs = in.number();
    if (runs == 1) {
        if (in.number() != values.size()) {
            refuse(Fault::corrupt,
                   "a block of readings has columns of different length: put a backup in its place");
        }
        return read_present(in, values, noise);
    }
    std::size_t place = 0, present = 0;
    std::vector<std::pair<std::size_t, std::size_t>> read;  // from, length
    for (std::uint64_t run = 0; run < runs; ++run) {
        auto const length = in.number();
        if (length > values.size() - place) {
            refuse(Fault::corrupt,
                   "a block of readings has columns of different length: put a backup in its place");
        }
        auto const part = values.subspan(place, length);
        place += length;
        if (run % 2 == 0) {
            read.emplace_back(static_cast<std::size_t>(part.data() - values.data()), length);
            present += length;
        } else {
            std::fill(part.begin(), part.end(), not_read);
        }
    }
    if (place != values.size()) {
        refuse(Fault::corrupt,
               "a block of readings has columns of different length: put a backup in its place");
    }
    std::vector<double> dense(present);
    read_present(in, dense, noise);
    auto from = dense.begin();
    for (auto const& [begin, length] : read) {
        std::copy_n(from, length, values.begin() + static_cast<std::ptrdiff_t>(begin));
        from += static_cast<std::ptrdiff_t>(length);
    }
}

}  // namespace probekeeper::store
