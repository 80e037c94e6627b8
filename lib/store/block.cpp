#include "store/block.h"

#include <algorithm>
#include <array>

#include "store/columns.h"
#include "store/compression.h"
#include "store/derived.h"

namespace probekeeper::store {

namespace {

// The form of what is compressed. A new form is a new number; the old ones stay readable.
// In the second one columns have noise, which lies before them.
constexpr std::uint8_t first_form = 1, form = 2;

using Values = std::vector<double>;

constexpr std::array quantities{&Reading::do_mg_l,       &Reading::do_percent,   &Reading::po2_hpa,
                                &Reading::temperature_c, &Reading::salinity_psu, &Reading::pressure_hpa,
                                &Reading::airflow};
constexpr std::size_t mg_l_place = 0, percent_place = 1;

bool same_bits(double a, double b) {
    return std::bit_cast<std::uint64_t>(a) == std::bit_cast<std::uint64_t>(b) || (!is_read(a) && !is_read(b));
}

template <typename Derive>
bool follows(std::span<Reading const> readings, double Reading::*quantity, WaterOfProbe const& water,
             Derive derive) {
    Deriver deriver{water};
    return std::all_of(readings.begin(), readings.end(),
                       [&](Reading const& r) { return same_bits(r.*quantity, (deriver.*derive)(r)); });
}

bool any_read(std::span<Reading const> readings, double Reading::*quantity) {
    return std::any_of(readings.begin(), readings.end(),
                       [&](Reading const& r) { return is_read(r.*quantity); });
}

// What `place` may be left out as. mg/L from % only where % itself is kept or comes from the partial
// pressure.
Derived derived(std::span<Reading const> readings, std::size_t place, WaterOfProbe const& water,
                bool percent_is_kept) {
    if (place == percent_place && any_read(readings, &Reading::do_percent)) {
        if (any_read(readings, &Reading::po2_hpa) &&
            follows(readings, &Reading::do_percent, water, &Deriver::percent_from_po2)) {
            return Derived::percent_from_po2;
        }
        if (follows(readings, &Reading::do_percent, water, &Deriver::percent_from_mg_l)) {
            return Derived::percent_from_mg_l;
        }
    }
    if (place == mg_l_place && percent_is_kept && any_read(readings, &Reading::do_mg_l) &&
        follows(readings, &Reading::do_mg_l, water, &Deriver::mg_l_from_percent)) {
        return Derived::mg_l_from_percent;
    }
    return Derived::none;
}

// Times: which beat of the poll each reading belongs to, and how far off the beat it is. Polls come in slots,
// so the former tells nearly nothing new and the latter is small.
void write_times(ByteWriter& out, std::span<Reading const> readings, NoiseWriter& noise) {
    auto const n = readings.size();
    std::vector<std::int64_t> gaps(n, 0);
    for (std::size_t i = 1; i < n; ++i) {
        gaps[i] = (readings[i].time - readings[i - 1].time).count();
    }
    auto sorted = gaps;
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(n / 2), sorted.end());
    auto const beat = std::max<std::int64_t>(sorted[n / 2], 1);
    auto const first = to_unix_ms(readings.front().time);
    std::vector<std::int64_t> beats(n), off(n);
    for (std::size_t i = 0; i < n; ++i) {
        auto const since = to_unix_ms(readings[i].time) - first;
        beats[i] = (since + beat / 2) / beat - static_cast<std::int64_t>(i);
        off[i] = since - (beats[i] + static_cast<std::int64_t>(i)) * beat;
    }
    out.signed_number(first);
    out.signed_number(beat);
    write_integers(out, beats, &noise);
    write_integers(out, off, &noise);
}

void read_times(ByteReader& in, std::span<std::int64_t> times, NoiseReader* noise) {
    auto const first = in.signed_number();
    auto const beat = in.signed_number();
    std::vector<std::int64_t> off(times.size());
    read_integers(in, times, noise);
    read_integers(in, off, noise);
    for (std::size_t i = 0; i < times.size(); ++i) {
        auto const slot = wrapped_sum(times[i], static_cast<std::int64_t>(i));
        times[i] = wrapped_sum(wrapped_sum(first, wrapped_product(slot, beat)), off[i]);
    }
    if (!std::is_sorted(times.begin(), times.end())) {
        refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
    }
}

void write_bits(ByteWriter& out, std::span<Reading const> readings, std::uint16_t Reading::*bits) {
    std::size_t run = 0;
    for (std::size_t i = 0; i < readings.size(); ++i) {
        ++run;
        if (i + 1 == readings.size() || readings[i + 1].*bits != readings[i].*bits) {
            out.number(readings[i].*bits);
            out.number(run);
            run = 0;
        }
    }
}

void read_bits(ByteReader& in, std::span<std::uint16_t> bits) {
    for (std::size_t i = 0; i < bits.size();) {
        auto const value = static_cast<std::uint16_t>(in.number());
        auto const run = in.number();
        if (run == 0 || run > bits.size() - i) {
            refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
        }
        std::fill_n(bits.begin() + static_cast<std::ptrdiff_t>(i), run, value);
        i += run;
    }
}

std::array<Derived, quantities.size()> what_follows(std::span<Reading const> readings,
                                                    WaterOfProbe const& water) {
    std::array<Derived, quantities.size()> found{};
    found[percent_place] = derived(readings, percent_place, water, true);
    found[mg_l_place] =
        derived(readings, mg_l_place, water, found[percent_place] != Derived::percent_from_mg_l);
    return found;
}

void write_quantities(ByteWriter& out, std::span<Reading const> readings, WaterOfProbe const& water,
                      NoiseWriter& noise) {
    auto const follow = what_follows(readings, water);
    out.fixed(water.salinity_psu);
    out.fixed(water.pressure_hpa);
    Values column(readings.size());
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        out.byte(static_cast<std::uint8_t>(follow[q]));
        if (follow[q] == Derived::none) {
            std::transform(readings.begin(), readings.end(), column.begin(),
                           [&](Reading const& r) { return r.*quantities[q]; });
            write_reals(out, column, &noise);
        }
    }
}

// An hour's summary takes as much room as a hundred readings. Of fewer it would be most of the file, and they
// are soon added up.
constexpr std::size_t worth_an_hour = 120;

Bytes hours_of(std::span<Reading const> readings) {
    std::vector<Summary> hours;
    for (auto const& r : readings) {
        if (hours.empty() || r.time >= hours.back().start + hour) {
            hours.emplace_back();
            hours.back().start = step_start(r.time, hour);
        }
        hours.back().add(r);
    }
    Bytes bytes;
    if (hours.size() * worth_an_hour > readings.size()) {
        return bytes;
    }
    ByteWriter out{bytes};
    for (auto const& h : hours) {
        write_summary(out, h);
    }
    return bytes;
}

struct Columns {
    std::vector<std::int64_t> times;
    std::vector<std::uint16_t> known, marks;
    WaterOfProbe water;
    std::array<Derived, quantities.size()> follow{};
    std::array<Values, quantities.size()> values;
};

// `noise`: null in the first form.
Columns read_columns(ByteReader& in, std::size_t n, NoiseReader* noise) {
    Columns c;
    if (n > block_largest) {
        refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
    }
    c.times.resize(n);
    read_times(in, c.times, noise);
    c.known.resize(n);
    read_bits(in, c.known);
    c.marks.resize(n);
    read_bits(in, c.marks);
    c.water = {in.fixed<double>(), in.fixed<double>()};
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        c.follow[q] = static_cast<Derived>(in.byte());
        if (c.follow[q] == Derived::none) {
            c.values[q].resize(n);
            read_reals(in, c.values[q], noise);
        }
    }
    return c;
}

Columns read_plain(std::span<std::byte const> plain) {
    ByteReader in{plain};
    auto const found = in.byte();
    auto const n = in.number();
    if (found == first_form) {
        return read_columns(in, n, nullptr);
    }
    if (found != form) {
        refuse(Fault::newer, "a block of readings was written by a newer version: run that version");
    }
    NoiseReader noise{in.bytes(in.number())};
    return read_columns(in, n, &noise);
}

void derive(Reading& reading, Derived what, Deriver& deriver) {
    switch (what) {
        case Derived::none:
            return;
        case Derived::percent_from_mg_l:
            reading.do_percent = deriver.percent_from_mg_l(reading);
            return;
        case Derived::percent_from_po2:
            reading.do_percent = deriver.percent_from_po2(reading);
            return;
        case Derived::mg_l_from_percent:
            reading.do_mg_l = deriver.mg_l_from_percent(reading);
            return;
    }
    refuse(Fault::newer, "a block of readings was written by a newer version: run that version");
}

}  // namespace

Block make_block(std::span<Reading const> readings, WaterOfProbe const& water) {
    Bytes columns;
    columns.reserve(readings.size() * 8);
    ByteWriter out{columns};
    NoiseWriter noise;
    write_times(out, readings, noise);
    write_bits(out, readings, &Reading::known);
    write_bits(out, readings, &Reading::marks);
    write_quantities(out, readings, water, noise);

    Bytes begin;
    ByteWriter head{begin};
    head.byte(form);
    head.number(readings.size());
    head.number(noise.bytes().size());
    begin.insert(begin.end(), noise.bytes().begin(), noise.bytes().end());
    return {readings.front().time, readings.back().time, readings.size(), hours_of(readings),
            compressed(begin, columns)};
}

void read_block(std::span<std::byte const> data, Timestamp from, Timestamp until, std::vector<Reading>& to) {
    auto const plain = decompressed(data);
    auto const c = read_plain(plain);
    auto const begin = std::lower_bound(c.times.begin(), c.times.end(), to_unix_ms(from)) - c.times.begin();
    auto const end = std::lower_bound(c.times.begin(), c.times.end(), to_unix_ms(until)) - c.times.begin();
    Deriver deriver{c.water};
    to.reserve(to.size() + static_cast<std::size_t>(std::max<std::ptrdiff_t>(end - begin, 0)));
    for (auto i = static_cast<std::size_t>(begin); i < static_cast<std::size_t>(end); ++i) {
        Reading r;
        r.time = from_unix_ms(c.times[i]);
        r.known = c.known[i];
        r.marks = c.marks[i];
        for (std::size_t q = 0; q < quantities.size(); ++q) {
            if (c.follow[q] == Derived::none) {
                r.*quantities[q] = c.values[q][i];
            }
        }
        derive(r, c.follow[percent_place], deriver);  // before mg/L, which may come from it
        derive(r, c.follow[mg_l_place], deriver);
        to.push_back(r);
    }
}

std::vector<Summary> read_hours(std::span<std::byte const> hours) {
    ByteReader in{hours};
    std::vector<Summary> found;
    while (!in.empty()) {
        found.push_back(read_summary(in));
    }
    return found;
}

}  // namespace probekeeper::store
