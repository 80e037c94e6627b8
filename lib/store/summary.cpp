#include "store/summary.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::store {

Timestamp step_start(Timestamp t, Millis step) {
    auto const into = (t.time_since_epoch() % step + step) % step;  // never negative, before 1970 too
    return t - into;
}

void Tally::add(double value) {
    min = count == 0 ? value : std::min(min, value);
    max = count == 0 ? value : std::max(max, value);
    sum += value;
    ++count;
}

void Tally::add(Tally const& other) {
    if (other.count == 0) {
        return;
    }
    min = count == 0 ? other.min : std::min(min, other.min);
    max = count == 0 ? other.max : std::max(max, other.max);
    sum += other.sum;
    count += other.count;
}

void Summary::add(Reading const& r) {
    ++count;
    marks = static_cast<std::uint16_t>(marks | r.marks);
    if (r.has(mark_fault) || r.has(mark_out_of_range)) {
        return;  // kept, not used
    }
    std::array<double, quantity_count> const values{r.do_mg_l,      r.do_percent,   r.temperature_c,
                                                    r.salinity_psu, r.pressure_hpa, r.airflow};
    for (std::size_t i = 0; i < quantity_count; ++i) {
        if (is_read(values[i])) {
            tallies[i].add(values[i]);
        }
    }
}

void Summary::add(Summary const& other) {
    count += other.count;
    marks = static_cast<std::uint16_t>(marks | other.marks);
    for (std::size_t i = 0; i < quantity_count; ++i) {
        tallies[i].add(other.tallies[i]);
    }
}

Step Summary::step() const {
    Step made{start, count, marks, {}};
    for (std::size_t i = 0; i < quantity_count; ++i) {
        auto const& t = tallies[i];
        if (t.count > 0) {
            made.quantities[i] = {t.count, t.min, t.sum / static_cast<double>(t.count), t.max};
        }
    }
    return made;
}

namespace {

// Thousandths as a short number where that gives the value back exactly, as it does for what came from
// registers and cells; the lowest two bits say which: 0 is the value itself, 8 bytes.
enum class Exactly : std::uint8_t { itself, over, times };  // stored; never renumber

void write_real(ByteWriter& out, double v) {
    if (std::abs(v) < 1e12) {
        auto const k = std::llrint(v * 1000.0);
        auto const real = static_cast<double>(k);
        bool const over = std::bit_cast<std::uint64_t>(real / 1000.0) == std::bit_cast<std::uint64_t>(v);
        if (over || std::bit_cast<std::uint64_t>(real * 0.001) == std::bit_cast<std::uint64_t>(v)) {
            out.number(zigzag(k) << 2 | static_cast<std::uint64_t>(over ? Exactly::over : Exactly::times));
            return;
        }
    }
    out.number(static_cast<std::uint64_t>(Exactly::itself));
    out.fixed(v);
}

double read_real(ByteReader& in) {
    auto const stored = in.number();
    auto const k = static_cast<double>(unzigzag(stored >> 2));
    auto const how = static_cast<Exactly>(stored & 3);
    return how == Exactly::itself ? in.fixed<double>() : how == Exactly::over ? k / 1000.0 : k * 0.001;
}

std::int64_t read_count(ByteReader& in) {
    auto const count = in.number();
    if (count > most_counted) {
        refuse(Fault::corrupt, "a summary of readings is damaged: put a backup in the store's place");
    }
    return static_cast<std::int64_t>(count);
}

}  // namespace

void write_summary(ByteWriter& out, Summary const& s) {
    out.signed_number(to_unix_ms(s.start));
    out.number(static_cast<std::uint64_t>(s.count));
    out.number(s.marks);
    for (auto const& t : s.tallies) {
        out.number(static_cast<std::uint64_t>(t.count));
        if (t.count > 0) {
            write_real(out, t.min);
            write_real(out, t.max);
            out.fixed(t.sum);
        }
    }
}

Summary read_summary(ByteReader& in) {
    Summary s;
    s.start = from_unix_ms(in.signed_number());
    s.count = read_count(in);
    s.marks = static_cast<std::uint16_t>(in.number());
    for (auto& t : s.tallies) {
        t.count = read_count(in);
        if (t.count > 0) {
            t.min = read_real(in);
            t.max = read_real(in);
            t.sum = in.fixed<double>();
        }
    }
    return s;
}

}  // namespace probekeeper::store
