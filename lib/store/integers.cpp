#include "store/integers.h"

#include <algorithm>
#include <array>

namespace probekeeper::store {

namespace {

// Stored; never renumber. The first form of columns has the first three alone.
enum class Told : std::uint8_t { by_last, by_two, by_four, by_eight, by_line, by_nothing };
constexpr std::size_t of_first_form = 3, all_forms = 6;
constexpr std::uint8_t with_noise = 0x80;  // added to the above

// What is kept of a value beside its noise, in bits: fewer, and noise is taken for what can be compressed;
// more, and the tables of the compression grow. Less noise than that in a value is not worth the trouble.
constexpr unsigned bits_kept = 2, noise_least = 2;
constexpr std::size_t sample_size = 256;  // of a column, to choose by

template <std::size_t count>
std::int64_t mean_before(std::int64_t const* v, std::size_t i) {
    std::uint64_t sum = 0;
    for (std::size_t k = 1; k <= count; ++k) {
        sum += static_cast<std::uint64_t>(v[i - k]);
    }
    return static_cast<std::int64_t>(sum) / static_cast<std::int64_t>(count);
}

// From what lies before place `i`. Wraps on overflow, in both directions alike.
template <Told told>
std::int64_t expected(std::int64_t const* v, std::size_t i) {
    constexpr std::size_t needed = told == Told::by_nothing                        ? 0
                                   : told == Told::by_last                         ? 1
                                   : told == Told::by_two || told == Told::by_line ? 2
                                   : told == Told::by_four                         ? 4
                                                                                   : 8;
    if constexpr (needed == 0) {
        return 0;
    } else if (i < needed) {
        return i > 0 ? v[i - 1] : 0;
    } else if constexpr (told == Told::by_line) {
        return wrapped_difference(wrapped_sum(v[i - 1], v[i - 1]), v[i - 2]);
    } else {
        return mean_before<needed>(v, i);
    }
}

// Calls `work` for the way `told`; false where there is none of that number.
template <typename Work>
bool in_the_way(Told told, Work const& work) {
    switch (told) {
        case Told::by_last:
            work.template operator()<Told::by_last>();
            return true;
        case Told::by_two:
            work.template operator()<Told::by_two>();
            return true;
        case Told::by_four:
            work.template operator()<Told::by_four>();
            return true;
        case Told::by_eight:
            work.template operator()<Told::by_eight>();
            return true;
        case Told::by_line:
            work.template operator()<Told::by_line>();
            return true;
        case Told::by_nothing:
            work.template operator()<Told::by_nothing>();
            return true;
    }
    return false;
}

std::size_t width(std::uint64_t v) {
    return static_cast<std::size_t>(std::bit_width(v));
}

struct Choice {
    Told told = Told::by_last;
    std::size_t mean_width = 0;  // of what is left, in bits
};

// The way whose rest takes the fewest bits, about.
Choice choose(std::span<std::int64_t const> v, std::size_t ways) {
    auto const sample = v.first(std::min(v.size(), sample_size));
    std::array<std::size_t, all_forms> costs{};
    for (std::size_t way = 0; way < ways; ++way) {
        in_the_way(static_cast<Told>(way), [&]<Told told>() {
            for (std::size_t i = 0; i < sample.size(); ++i) {
                costs[way] += width(zigzag(wrapped_difference(sample[i], expected<told>(sample.data(), i))));
            }
        });
    }
    auto const* const least =
        std::min_element(costs.begin(), costs.begin() + static_cast<std::ptrdiff_t>(ways));
    auto const size = std::max<std::size_t>(sample.size(), 1);
    return {static_cast<Told>(least - costs.begin()), (*least + size / 2) / size};
}

template <Told told>
std::uint64_t take_expected_away(std::span<std::int64_t> v) {
    std::uint64_t any = 0;
    for (std::size_t i = v.size(); i-- > 0;) {
        auto const rest = zigzag(wrapped_difference(v[i], expected<told>(v.data(), i)));
        any |= rest;
        v[i] = static_cast<std::int64_t>(rest);
    }
    return any;
}

template <Told told>
void add_expected(std::span<std::int64_t> v) {
    for (std::size_t i = 0; i < v.size(); ++i) {
        v[i] = wrapped_sum(unzigzag(static_cast<std::uint64_t>(v[i])), expected<told>(v.data(), i));
    }
}

unsigned noise_of(std::size_t mean_width) {
    return mean_width < bits_kept + noise_least
               ? 0
               : std::min(static_cast<unsigned>(mean_width) - bits_kept, noise_bits_most);
}

void write_planes(ByteWriter& out, std::span<std::int64_t const> values, std::uint64_t any, unsigned shift) {
    auto const planes = (width(any >> shift) + 7) / 8;
    out.byte(static_cast<std::uint8_t>(planes));
    for (std::size_t plane = 0; plane < planes; ++plane) {
        auto* const room = out.room(values.size());
        for (std::size_t i = 0; i < values.size(); ++i) {
            room[i] = static_cast<std::byte>(static_cast<std::uint64_t>(values[i]) >> (8 * plane + shift));
        }
    }
}

void read_planes(ByteReader& in, std::span<std::int64_t> values) {
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
}

}  // namespace

void write_integers(ByteWriter& out, std::span<std::int64_t> values, NoiseWriter* noise) {
    auto const [told, mean_width] = choose(values, noise == nullptr ? of_first_form : all_forms);
    std::uint64_t any = 0;
    in_the_way(told, [&]<Told way>() { any = take_expected_away<way>(values); });
    auto const bits = noise == nullptr ? 0U : noise_of(mean_width);
    if (bits == 0) {
        out.byte(static_cast<std::uint8_t>(told));
    } else {
        out.byte(static_cast<std::uint8_t>(static_cast<std::uint8_t>(told) | with_noise));
        out.byte(static_cast<std::uint8_t>(bits));
        noise->write(values, bits);
    }
    write_planes(out, values, any, bits);
}

void read_integers(ByteReader& in, std::span<std::int64_t> values, NoiseReader* noise) {
    auto const way = in.byte();
    bool const noisy = noise != nullptr && (way & with_noise) != 0;
    unsigned const bits = noisy ? in.byte() : 0U;
    read_planes(in, values);
    if (noisy) {
        noise->read(values, bits);
    }
    auto const told = static_cast<Told>(noisy ? way & ~with_noise : way);
    if (!in_the_way(told, [&]<Told known>() { add_expected<known>(values); })) {
        refuse(Fault::corrupt,
               "stored readings are of a form that this program does not know: run the newer version");
    }
}

}  // namespace probekeeper::store
