#include "store/group.h"

#include <algorithm>
#include <array>

namespace probekeeper::store {

namespace {

// Number of probes, then for each its key and where its readings end, then the readings. A reading: time
// since the one before in milliseconds, a byte of which quantities follow, and these.
struct Entry {
    std::uint32_t key = 0, end = 0;  // bytes from the start of the readings
};

constexpr std::array quantities{&Reading::do_mg_l,       &Reading::do_percent,   &Reading::po2_hpa,
                                &Reading::temperature_c, &Reading::salinity_psu, &Reading::pressure_hpa,
                                &Reading::airflow};
constexpr std::uint8_t bits_follow = 1
                                     << quantities.size();  // known and marks differ from the reading before
constexpr std::size_t reading_most = 10 + 1 + 4 + 8 * quantities.size();

std::byte* put_number(std::byte* at, std::uint64_t v) {
    for (; v >= 0x80; v >>= 7) {
        *at++ = static_cast<std::byte>(v | 0x80);
    }
    *at++ = static_cast<std::byte>(v);
    return at;
}

template <typename T>
std::byte* put(std::byte* at, T v) {
    std::memcpy(at, &v, sizeof v);
    return at + sizeof v;
}

std::byte* put_reading(std::byte* at, Reading const& r, Reading const& before) {
    at = put_number(at, zigzag((r.time - before.time).count()));
    auto* const what = at++;
    std::uint8_t follow = 0;
    if (r.known != before.known || r.marks != before.marks) {
        follow = bits_follow;
        at = put(at, r.known);
        at = put(at, r.marks);
    }
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        if (is_read(r.*quantities[q])) {
            follow = static_cast<std::uint8_t>(follow | 1U << q);
            at = put(at, r.*quantities[q]);
        }
    }
    *what = static_cast<std::byte>(follow);
    return at;
}

Reading take_reading(ByteReader& in, Reading const& before) {
    Reading r;
    r.time = from_unix_ms(wrapped_sum(to_unix_ms(before.time), in.signed_number()));
    auto const follow = in.byte();
    r.known = before.known;
    r.marks = before.marks;
    if ((follow & bits_follow) != 0) {
        r.known = in.fixed<std::uint16_t>();
        r.marks = in.fixed<std::uint16_t>();
    }
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        if ((follow & 1U << q) != 0) {
            r.*quantities[q] = in.fixed<double>();
        }
    }
    return r;
}

// Reads the directory, which is sorted by key.
class Directory {
public:
    explicit Directory(std::span<std::byte const> data) {
        ByteReader in{data};
        probes_ = in.fixed<std::uint32_t>();
        entries_ = in.bytes(probes_ * sizeof(Entry));
        readings_ = data.subspan(sizeof(std::uint32_t) + entries_.size());
    }
    [[nodiscard]] std::size_t size() const { return probes_; }
    [[nodiscard]] Entry operator[](std::size_t i) const {
        Entry e;
        std::memcpy(&e, entries_.data() + i * sizeof e, sizeof e);
        return e;
    }
    [[nodiscard]] std::span<std::byte const> readings_of(std::size_t i) const {
        auto const begin = i == 0 ? 0 : (*this)[i - 1].end;
        auto const end = (*this)[i].end;
        if (begin > end || end > readings_.size()) {
            refuse(Fault::corrupt, "a group of readings is damaged: put a backup in the store's place");
        }
        return readings_.subspan(begin, end - begin);
    }
    // size() where it is not there.
    [[nodiscard]] std::size_t find(ProbeKey probe) const {
        std::size_t low = 0, high = probes_;
        while (low < high) {
            auto const middle = (low + high) / 2;
            (*this)[middle].key < static_cast<std::uint64_t>(probe) ? low = middle + 1 : high = middle;
        }
        return low < probes_ && (*this)[low].key == static_cast<std::uint64_t>(probe) ? low : probes_;
    }

private:
    std::size_t probes_ = 0;
    std::span<std::byte const> entries_, readings_;
};

}  // namespace

Bytes make_group(std::span<ProbeReading const* const> readings) {
    std::size_t probes = 0;
    for (std::size_t i = 0; i < readings.size(); ++i) {
        probes += i == 0 || readings[i]->probe != readings[i - 1]->probe ? 1U : 0U;
    }
    Bytes group(sizeof(std::uint32_t) + probes * sizeof(Entry) + readings.size() * reading_most);
    auto* entry = put(group.data(), static_cast<std::uint32_t>(probes));
    auto* const begin = entry + probes * sizeof(Entry);
    auto* at = begin;
    Reading before;
    for (std::size_t i = 0; i < readings.size(); ++i) {
        auto const& given = *readings[i];
        at = put_reading(at, given.reading, before);
        before = given.reading;
        if (i + 1 == readings.size() || readings[i + 1]->probe != given.probe) {
            entry = put(entry, Entry{static_cast<std::uint32_t>(given.probe),
                                     static_cast<std::uint32_t>(at - begin)});
            before = Reading{};
        }
    }
    group.resize(static_cast<std::size_t>(at - group.data()));
    return group;
}

void read_group(std::span<std::byte const> data, ProbeKey probe, Timestamp from, Timestamp until,
                std::vector<Reading>& to) {
    Directory const directory{data};
    auto const place = directory.find(probe);
    if (place == directory.size()) {
        return;
    }
    ByteReader in{directory.readings_of(place)};
    for (Reading before; !in.empty();) {
        before = take_reading(in, before);
        if (before.time >= from && before.time < until) {
            to.push_back(before);
        }
    }
}

void for_each_in_group(std::span<std::byte const> data,
                       std::function<void(ProbeKey, std::span<Reading const>)> const& take) {
    Directory const directory{data};
    std::vector<Reading> readings;
    for (std::size_t i = 0; i < directory.size(); ++i) {
        readings.clear();
        ByteReader in{directory.readings_of(i)};
        for (Reading before; !in.empty();) {
            before = take_reading(in, before);
            readings.push_back(before);
        }
        take(static_cast<ProbeKey>(directory[i].key), readings);
    }
}

}  // namespace probekeeper::store
