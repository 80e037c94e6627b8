#include "store/columns.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "base/reading.h"

namespace probekeeper::store {

namespace {

// --- integers

enum class Told : std::uint8_t { by_last, by_two, by_four };  // stored; never renumber

// From what lies before place `i`. Wraps on overflow, in both directions alike.
template <Told told>
std::int64_t expected(std::int64_t const* v, std::size_t i) {
    if constexpr (told == Told::by_last) {
        return i > 0 ? v[i - 1] : 0;
    } else {
        constexpr std::size_t most = told == Told::by_two ? 2 : 4;
        if (i < most) {
            return i > 0 ? v[i - 1] : 0;
        }
        std::uint64_t sum = 0;
        for (std::size_t k = 1; k <= most; ++k) {
            sum += static_cast<std::uint64_t>(v[i - k]);
        }
        return static_cast<std::int64_t>(sum) / static_cast<std::int64_t>(most);
    }
}

std::int64_t minus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}
std::int64_t plus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}

// About how many bits the rest takes.
template <Told told>
std::size_t cost(std::span<std::int64_t const> v) {
    std::size_t bits = 0;
    for (std::size_t i = 0; i < v.size(); ++i) {
        bits += static_cast<std::size_t>(std::bit_width(zigzag(minus(v[i], expected<told>(v.data(), i)))));
    }
    return bits;
}

Told choose(std::span<std::int64_t const> v) {
    auto const sample = v.first(std::min<std::size_t>(v.size(), 512));
    std::array const costs{cost<Told::by_last>(sample), cost<Told::by_two>(sample),
                           cost<Told::by_four>(sample)};
    return static_cast<Told>(std::min_element(costs.begin(), costs.end()) - costs.begin());
}

template <Told told>
std::uint64_t take_expected_away(std::span<std::int64_t> v) {
    std::uint64_t any = 0;
    for (std::size_t i = v.size(); i-- > 0;) {
        auto const rest = zigzag(minus(v[i], expected<told>(v.data(), i)));
        any |= rest;
        v[i] = static_cast<std::int64_t>(rest);
    }
    return any;
}

template <Told told>
void add_expected(std::span<std::int64_t> v) {
    for (std::size_t i = 0; i < v.size(); ++i) {
        v[i] = plus(unzigzag(static_cast<std::uint64_t>(v[i])), expected<told>(v.data(), i));
    }
}

// --- reals

struct Step {
    enum class Kind : std::uint8_t {
        times,
        over
    } kind;  // k * by, as registers are scaled; k / by, as text is read
    double by;
    [[nodiscard]] double real(std::int64_t k) const {
        auto const r = static_cast<double>(k);
        return kind == Kind::times ? r * by : r / by;
    }
    [[nodiscard]] std::optional<std::int64_t> whole(double v) const {
        double const k = kind == Kind::times ? v / by : v * by;
        if (!(std::abs(k) < 1e12)) {
            return std::nullopt;
        }
        auto const n = std::llrint(k);
        return std::bit_cast<std::uint64_t>(real(n)) == std::bit_cast<std::uint64_t>(v)
                   ? std::optional<std::int64_t>{n}
                   : std::nullopt;
    }
};

// The coarsest first. A step is stored by its value, so this list may be changed at any time.
constexpr std::array steps{
    Step{Step::Kind::over, 1.0},     Step{Step::Kind::times, 0.5},   Step{Step::Kind::times, 0.25},
    Step{Step::Kind::times, 0.2},    Step{Step::Kind::over, 10.0},   Step{Step::Kind::times, 0.1},
    Step{Step::Kind::times, 0.0625}, Step{Step::Kind::times, 0.05},  Step{Step::Kind::times, 0.025},
    Step{Step::Kind::times, 0.02},   Step{Step::Kind::over, 100.0},  Step{Step::Kind::times, 0.01},
    Step{Step::Kind::times, 0.005},  Step{Step::Kind::times, 0.002}, Step{Step::Kind::over, 1000.0},
    Step{Step::Kind::times, 0.001},  Step{Step::Kind::over, 1e4},    Step{Step::Kind::times, 1e-4},
    Step{Step::Kind::over, 1e5},     Step{Step::Kind::times, 1e-5},
};

bool suits(Step const& step, std::span<double const> values) {
    return std::all_of(values.begin(), values.end(), [&](double v) { return step.whole(v).has_value(); });
}

enum class Form : std::uint8_t { none, same, times, over, single, full };  // stored; never renumber

bool is_single(double v) {
    return std::bit_cast<std::uint64_t>(static_cast<double>(static_cast<float>(v))) ==
           std::bit_cast<std::uint64_t>(v);
}

// Bits in the order of the values, so that close values are close integers.
std::int64_t ordered(float v) {
    auto const bits = std::bit_cast<std::int32_t>(v);
    return bits >= 0 ? bits : static_cast<std::int64_t>(bits ^ 0x7FFFFFFF);
}
float single_of(std::int64_t ordered_bits) {
    auto const bits = static_cast<std::int32_t>(ordered_bits);
    return std::bit_cast<float>(bits >= 0 ? bits : bits ^ 0x7FFFFFFF);
}

void write_form(ByteWriter& out, Form form) {
    out.byte(static_cast<std::uint8_t>(form));
}

void write_present(ByteWriter& out, std::span<double const> v) {
    if (v.empty()) {
        return write_form(out, Form::none);
    }
    auto const bits = [](double x) { return std::bit_cast<std::int64_t>(x); };
    if (std::all_of(v.begin(), v.end(), [&](double x) { return bits(x) == bits(v.front()); })) {
        write_form(out, Form::same);
        return out.fixed(v.front());
    }
    std::vector<std::int64_t> whole(v.size());
    for (auto const& step : steps) {
        if (suits(step, v)) {
            write_form(out, step.kind == Step::Kind::times ? Form::times : Form::over);
            out.fixed(step.by);
            std::transform(v.begin(), v.end(), whole.begin(), [&](double x) { return *step.whole(x); });
            return write_integers(out, whole);
        }
    }
    if (std::all_of(v.begin(), v.end(), is_single)) {
        write_form(out, Form::single);
        std::transform(v.begin(), v.end(), whole.begin(),
                       [](double x) { return ordered(static_cast<float>(x)); });
    } else {
        write_form(out, Form::full);
        std::transform(v.begin(), v.end(), whole.begin(), bits);
    }
    write_integers(out, whole);
}

void read_present(ByteReader& in, std::span<double> v) {
    auto const form = static_cast<Form>(in.byte());
    if (form > Form::full) {
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
    bool const stepped = form == Form::times || form == Form::over;
    Step const step{form == Form::times ? Step::Kind::times : Step::Kind::over,
                    stepped ? in.fixed<double>() : 1.0};
    std::vector<std::int64_t> whole(v.size());
    read_integers(in, whole);
    if (form == Form::times) {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [by = step.by](std::int64_t k) { return static_cast<double>(k) * by; });
    } else if (form == Form::over) {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [by = step.by](std::int64_t k) { return static_cast<double>(k) / by; });
    } else if (form == Form::single) {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [](std::int64_t k) { return double{single_of(k)}; });
    } else {
        std::transform(whole.begin(), whole.end(), v.begin(),
                       [](std::int64_t k) { return std::bit_cast<double>(k); });
    }
}

}  // namespace

void write_integers(ByteWriter& out, std::span<std::int64_t> values) {
    auto const told = choose(values);
    std::uint64_t any = 0;
    switch (told) {
        case Told::by_last:
            any = take_expected_away<Told::by_last>(values);
            break;
        case Told::by_two:
            any = take_expected_away<Told::by_two>(values);
            break;
        case Told::by_four:
            any = take_expected_away<Told::by_four>(values);
            break;
    }
    auto const planes = static_cast<std::size_t>(std::bit_width(any) + 7) / 8;
    out.byte(static_cast<std::uint8_t>(told));
    out.byte(static_cast<std::uint8_t>(planes));
    for (std::size_t plane = 0; plane < planes; ++plane) {
        auto* const room = out.room(values.size());
        for (std::size_t i = 0; i < values.size(); ++i) {
            room[i] = static_cast<std::byte>(static_cast<std::uint64_t>(values[i]) >> (8 * plane));
        }
    }
}

void read_integers(ByteReader& in, std::span<std::int64_t> values) {
    auto const told = static_cast<Told>(in.byte());
    std::size_t const planes = in.byte();
    if (planes > sizeof(std::int64_t)) {
        refuse(Fault::corrupt,
               "a block of readings has impossible numbers: put a backup in the store's place");
    }
    std::fill(values.begin(), values.end(), 0);
    for (std::size_t plane = 0; plane < planes; ++plane) {
        auto const bytes = in.bytes(values.size());
        for (std::size_t i = 0; i < values.size(); ++i) {
            values[i] = static_cast<std::int64_t>(static_cast<std::uint64_t>(values[i]) |
                                                  static_cast<std::uint64_t>(bytes[i]) << (8 * plane));
        }
    }
    switch (told) {
        case Told::by_last:
            return add_expected<Told::by_last>(values);
        case Told::by_two:
            return add_expected<Told::by_two>(values);
        case Told::by_four:
            return add_expected<Told::by_four>(values);
    }
    refuse(Fault::corrupt,
           "stored readings are of a form that this program does not know: run the newer version");
}

// First which values were read at all: the lengths of runs of read and not read in turn, beginning with read.
void write_reals(ByteWriter& out, std::span<double const> values) {
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
    write_present(out, present);
}

void read_reals(ByteReader& in, std::span<double> values) {
    auto const runs = in.number();
    if (runs == 1) {
        if (in.number() != values.size()) {
            refuse(Fault::corrupt,
                   "a block of readings has columns of different length: put a backup in its place");
        }
        return read_present(in, values);
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
    read_present(in, dense);
    auto from = dense.begin();
    for (auto const& [begin, length] : read) {
        std::copy_n(from, length, values.begin() + static_cast<std::ptrdiff_t>(begin));
        from += static_cast<std::ptrdiff_t>(length);
    }
}

}  // namespace probekeeper::store
