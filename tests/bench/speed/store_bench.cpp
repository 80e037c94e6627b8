// How fast readings are stored and read, and how much room they take, against plain rows in bare SQLite in
// the same run.   bench_store [--small] [stored] [bytes] [read]      Writes to $TMPDIR.
#include <sqlite3.h>
#include <stdlib.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <random>
#include <set>
#include <string>

#include "figure.h"
#include "oxygen/convert.h"
#include "store/reader.h"
#include "store/store.h"

using namespace probekeeper;
using namespace probekeeper::store;
using bench::seconds_of;

namespace {

Timestamp const begin = parse_rfc3339("2026-01-01T00:00:00Z").value();
constexpr std::size_t group_size = 5000;

class Folder {
public:
    Folder() {
        auto name = (std::filesystem::temp_directory_path() / "probekeeper-bench-XXXXXX").string();
        if (mkdtemp(name.data()) == nullptr) {
            std::abort();
        }
        path_ = name;
    }
    ~Folder() { std::filesystem::remove_all(path_); }
    Folder(Folder&&) = delete;
    [[nodiscard]] std::filesystem::path operator/(std::string const& name) const { return path_ / name; }

private:
    std::filesystem::path path_;
};

// Two decimals in registers; floats that a device rounds to a thousandth of a mg/L and a hundredth of a
// degree; floats whose every bit is noise.
enum class Map { registers_16_bit, float32_rounded, float32_full_mantissa };

constexpr double noise_mg_l = 0.015, noise_c = 0.004;
double course_mg_l(double day) {
    return 7.5 + 1.2 * std::sin(day);
}
double course_c(double day) {
    return 14.5 + 0.8 * std::cos(day);
}

// Oxygen and temperature of one probe as a device gives them, with a probe's noise, a day's course and a
// millisecond or so of jitter in the poll.
class Signal {
public:
    Signal(Map map, std::uint32_t seed) : map_{map}, random_{seed} {}
    Reading at(Timestamp time) {
        double const day = static_cast<double>(to_unix_ms(time) % 86'400'000) / 86'400'000.0 * 6.283185307;
        Reading r;
        r.time = time + Millis{std::lround(std::abs(noise_(random_)))};
        r.do_mg_l = measured(course_mg_l(day) + noise_mg_l * noise_(random_), 1000.0);
        r.temperature_c = measured(course_c(day) + noise_c * noise_(random_), 100.0);
        r.do_percent = oxygen::percent_of_mg_l(r.do_mg_l, {r.temperature_c, 0.0, 1013.25}).value();
        r.set(mark_aeration, to_unix_ms(time) / 1'800'000 % 2 == 0);
        return r;
    }

private:
    [[nodiscard]] double measured(double v, double parts) const {
        switch (map_) {
            case Map::registers_16_bit:
                return static_cast<double>(std::lround(v * 100.0)) * 0.01;
            case Map::float32_rounded:
                return double{static_cast<float>(std::round(v * parts) / parts)};
            case Map::float32_full_mantissa:
                return double{static_cast<float>(v)};
        }
        std::abort();
    }
    Map map_;
    std::mt19937 random_;
    std::normal_distribution<double> noise_;
};

// Probes polled each `poll`, as a live site gives them: all probes of one beat, then the next.
class Estate {
public:
    Estate(std::size_t probes, Millis poll, Map map) : poll_{poll} {
        for (std::size_t p = 0; p < probes; ++p) {
            signals_.emplace_back(map, static_cast<std::uint32_t>(p));
        }
    }
    std::vector<ProbeReading> beats(std::size_t how_many) {
        std::vector<ProbeReading> made;
        made.reserve(signals_.size() * how_many);
        for (std::size_t b = 0; b < how_many; ++b, now_ += poll_) {
            for (std::size_t p = 0; p < signals_.size(); ++p) {
                made.push_back({static_cast<ProbeKey>(p + 1), signals_[p].at(now_)});
            }
        }
        return made;
    }

private:
    Millis poll_;
    Timestamp now_ = begin;
    std::vector<Signal> signals_;
};

void must(int code) {
    if (code != SQLITE_OK && code != SQLITE_DONE && code != SQLITE_ROW) {
        fmt::print(stderr, "SQLite: {}\n", sqlite3_errstr(code));
        std::exit(1);
    }
}

// The baseline: a row a reading, as one would write it by hand.
class Rows {
public:
    explicit Rows(std::filesystem::path const& path) {
        must(sqlite3_open(path.c_str(), &db_));
        run("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA cache_size = -65536;"
            "CREATE TABLE readings (probe INTEGER NOT NULL, time INTEGER NOT NULL, do_mg_l REAL, do_percent "
            "REAL,"
            " po2_hpa REAL, temperature_c REAL, salinity_psu REAL, pressure_hpa REAL, airflow REAL,"
            " known INTEGER NOT NULL, marks INTEGER NOT NULL, PRIMARY KEY (probe, time)) STRICT, WITHOUT "
            "ROWID");
        must(sqlite3_prepare_v2(db_, "INSERT INTO readings VALUES (?,?,?,?,?,?,?,?,?,?,?)", -1, &insert_,
                                nullptr));
    }
    ~Rows() {
        sqlite3_finalize(insert_);
        sqlite3_close(db_);
    }
    Rows(Rows&&) = delete;
    void run(char const* sql) { must(sqlite3_exec(db_, sql, nullptr, nullptr, nullptr)); }
    void add(std::span<ProbeReading const> group) {
        run("BEGIN IMMEDIATE");
        for (auto const& given : group) {
            auto const& r = given.reading;
            sqlite3_bind_int64(insert_, 1, static_cast<std::int64_t>(given.probe));
            sqlite3_bind_int64(insert_, 2, to_unix_ms(r.time));
            int column = 3;
            for (double const v : {r.do_mg_l, r.do_percent, r.po2_hpa, r.temperature_c, r.salinity_psu,
                                   r.pressure_hpa, r.airflow}) {
                sqlite3_bind_double(insert_, column++, v);  // NaN is NULL
            }
            sqlite3_bind_int(insert_, 10, r.known);
            sqlite3_bind_int(insert_, 11, r.marks);
            must(sqlite3_step(insert_));
            sqlite3_reset(insert_);
        }
        run("COMMIT");
    }
    // do_mg_l, do_percent, temperature and marks of each row to `take`.
    template <typename Take>
    void read(std::int64_t probe, Timestamp from, Timestamp until, Take take) {
        sqlite3_stmt* select = nullptr;
        must(sqlite3_prepare_v2(db_,
                                "SELECT time, do_mg_l, do_percent, temperature_c, marks FROM readings"
                                " WHERE probe = ? AND time >= ? AND time < ? ORDER BY time",
                                -1, &select, nullptr));
        sqlite3_bind_int64(select, 1, probe);
        sqlite3_bind_int64(select, 2, to_unix_ms(from));
        sqlite3_bind_int64(select, 3, to_unix_ms(until));
        while (sqlite3_step(select) == SQLITE_ROW) {
            Reading r;
            r.time = from_unix_ms(sqlite3_column_int64(select, 0));
            r.do_mg_l = sqlite3_column_double(select, 1);
            r.do_percent = sqlite3_column_double(select, 2);
            r.temperature_c = sqlite3_column_double(select, 3);
            r.marks = static_cast<std::uint16_t>(sqlite3_column_int(select, 4));
            take(r);
        }
        sqlite3_finalize(select);
    }

private:
    sqlite3* db_ = nullptr;
    sqlite3_stmt* insert_ = nullptr;
};

std::vector<FleetProbe> fleet_of(std::size_t probes) {
    std::vector<FleetProbe> fleet;
    for (std::size_t p = 0; p < probes; ++p) {
        fleet.push_back({fmt::format("p-{}", p + 1), "s", {}});
    }
    return fleet;
}

template <typename T>
T value(Result<T> result) {
    if (result.has_error()) {
        fmt::print(stderr, "{}\n", result.error().message);
        std::exit(1);
    }
    return std::move(result.value());
}

void store_groups(Store& store, std::span<ProbeReading const> all) {
    for (std::size_t at = 0; at < all.size(); at += group_size) {
        auto const group = all.subspan(at, std::min(group_size, all.size() - at));
        if (store
                .together(Outlives::disk,
                          [&]() -> Result<void> {
                              auto const done = store.append(group);
                              return done.has_error() ? Result<void>{done.error()} : Result<void>{};
                          })
                .has_error()) {
            std::abort();
        }
    }
}

constexpr double plain_bytes = 8.0 + 8.0 / 2.0;  // a value and half a time

// Compaction is in the time: all readings of the run are in blocks at its end.
void stored_a_second(std::size_t probes, std::size_t beats) {
    Folder const folder;
    auto const all = Estate{probes, Millis{2000}, Map::registers_16_bit}.beats(beats);
    auto const n = static_cast<double>(all.size());
    double rows = 0.0, blocks = 0.0;
    {
        Rows baseline{folder / "rows.db"};
        rows = n / seconds_of([&] {
                   for (std::size_t at = 0; at < all.size(); at += group_size) {
                       baseline.add(std::span{all}.subspan(at, std::min(group_size, all.size() - at)));
                   }
               });
    }
    {
        auto store = value(Store::open(folder / "store.db"));
        static_cast<void>(value(store.enrol(fleet_of(probes), begin)));
        blocks = n / seconds_of([&] {
                     store_groups(store, all);
                     if (store.compact().has_error()) {
                         std::abort();
                     }
                 });
    }
    bench::print({fmt::format("stored_{}_probes", probes), "readings/s", "bare sqlite3, a row a reading",
                  ">= 10x", blocks, rows, blocks / rows, blocks >= 10.0 * rows});
}

// Bytes a value of the noise alone of Map::float32_full_mantissa, by the entropy of normal distributions in
// steps of a float's precision and of a millisecond: what no coder that knew the course exactly could go
// below.
double noise_alone() {
    auto const bits_of = [](double noise, double (*course)(double)) {
        double bits = 0.0;
        constexpr int parts = 1000;
        for (int i = 0; i < parts; ++i) {
            double const precision = std::exp2(std::floor(std::log2(course(6.283185307 * i / parts))) - 23.0);
            bits += std::log2(noise * std::sqrt(2.0 * 3.14159265 * 2.718281828) / precision) / parts;
        }
        return bits;
    };
    double jitter = 0.0;
    for (int ms = 0; ms < 6; ++ms) {  // the absolute value of a normal distribution, rounded
        auto const below = [](double x) { return std::erf(std::max(x, 0.0) / std::sqrt(2.0)); };
        double const share = below(ms + 0.5) - below(ms - 0.5);
        jitter -= share * std::log2(share);
    }
    return (bits_of(noise_mg_l, course_mg_l) + bits_of(noise_c, course_c) + jitter) / 2.0 / 8.0;
}

double file_of(std::size_t probes, std::function<void(Store&)> const& fill) {
    Folder const folder;
    {
        auto store = value(Store::open(folder / "store.db"));
        static_cast<void>(value(store.enrol(fleet_of(probes), begin)));
        fill(store);
        if (store.compact().has_error()) {
            std::abort();
        }
    }
    return static_cast<double>(std::filesystem::file_size(folder / "store.db"));
}

void bytes_a_value(Map map, std::size_t beats_a_day, std::size_t days_kept) {
    constexpr std::size_t probes = 20;
    auto const file = file_of(probes, [&](Store& store) {
        Estate estate{probes, Millis{5000}, map};
        for (std::size_t day = 0; day < days_kept; ++day) {
            store_groups(store, estate.beats(beats_a_day));
        }
    });
    // Two values a reading were measured; the % that is worked out and kept beside them is not counted.
    auto const bytes = file / (2.0 * probes * static_cast<double>(beats_a_day * days_kept));
    if (map == Map::float32_full_mantissa) {
        double const floor = noise_alone();
        bench::print({"bytes_a_value_float32_full_mantissa_noise", "bytes", "the entropy of its noise alone",
                      "<= 2", bytes, floor, bytes / floor, bytes <= 2.0});
        return;
    }
    bool const registers = map == Map::registers_16_bit;
    double const goal = registers ? 0.9 : 2.0;
    bench::print({registers ? "bytes_a_value_16_bit" : "bytes_a_value_float32_rounded", "bytes",
                  "8-byte floats and times", fmt::format("<= {}", goal), bytes, plain_bytes,
                  bytes / plain_bytes, bytes <= goal});
}

// Recordings of real probes at up to a minute, from files beside the checkout (their README.md says whose
// they are), as a map of floats gives them: each value the float next to what was recorded. Every file many
// times, as if by so many probes, so that what any store takes does not count: nothing of one helps to
// shorten another.
constexpr std::array recordings{"sbr_run_full.csv",         "sbr_run_500.csv",
                                "sbr_run_250_day1.csv",     "respiro_urchin_flush.csv",
                                "respiro_sardine.csv",      "fishpond_nomilo_2019-02-21.csv",
                                "wwtp_pilot_2020-03-04.csv"};

std::vector<std::string> cells_of(std::string const& line) {
    std::vector<std::string> cells(1);
    for (char const c : line) {
        c == ',' ? cells.emplace_back() : cells.back() += c;
    }
    return cells;
}

std::vector<Reading> recorded(std::filesystem::path const& path) {
    std::ifstream file{path};
    std::string line;
    std::getline(file, line);
    auto const names = cells_of(line);
    auto const place_of = [&](std::string_view name) {
        return static_cast<std::size_t>(
            std::find_if(names.begin(), names.end(), [&](auto const& n) { return n.starts_with(name); }) -
            names.begin());
    };
    auto const time = place_of("time"), mg_l = place_of("do_mg_l"), percent = place_of("do_percent"),
               temperature = place_of("temp_c");
    std::vector<Reading> readings;
    while (std::getline(file, line)) {
        auto const cells = cells_of(line);
        auto const number = [&](std::size_t place) {
            return place >= cells.size() || cells[place].empty() ? not_read : double{std::stof(cells[place])};
        };
        Reading r;
        if (names[time] == "time") {
            r.time = parse_rfc3339(cells[time].ends_with('Z') ? cells[time] : cells[time] + 'Z').value();
        } else {
            r.time = begin + Millis{std::llround(1000.0 * std::stod(cells[time]))};
        }
        r.do_mg_l = number(mg_l);
        r.do_percent = number(percent);
        r.temperature_c = number(temperature);
        if (readings.empty() || readings.back().time < r.time) {
            readings.push_back(r);
        }
    }
    return readings;
}

void bytes_a_value_of_recordings(std::size_t times) {
    std::filesystem::path const folder{PROBEKEEPER_RECORDINGS};
    if (!std::filesystem::exists(folder / recordings.front())) {
        fmt::print(stderr, "no recordings in {}: that figure is left out\n", folder.string());
        return;
    }
    double values = 0.0;
    auto const file = file_of(times * recordings.size(), [&](Store& store) {
        std::int64_t probe = 0;
        for (std::size_t i = 0; i < times; ++i) {
            for (auto const* const name : recordings) {
                ++probe;
                std::vector<ProbeReading> given;
                for (auto const& r : recorded(folder / name)) {
                    given.push_back({static_cast<ProbeKey>(probe), r});
                    for (double const v : {r.do_mg_l, r.do_percent, r.temperature_c}) {
                        values += is_read(v) ? 1.0 : 0.0;
                    }
                }
                store_groups(store, given);
            }
        }
    });
    auto const bytes = file / values;
    bench::print({"bytes_a_value_float32_recordings", "bytes", "8-byte floats and times", "<= 2", bytes,
                  plain_bytes, bytes / plain_bytes, bytes <= 2.0});
}

double best_of(int times, std::function<void()> const& work) {
    double best = seconds_of(work);
    for (int i = 1; i < times; ++i) {
        best = std::min(best, seconds_of(work));
    }
    return best;
}

void read_back(std::int64_t days_kept) {
    Folder const folder;
    Rows baseline{folder / "rows.db"};
    {
        auto store = value(Store::open(folder / "store.db", Store::Options::for_bulk()));
        static_cast<void>(value(store.enrol(fleet_of(1), begin)));
        Signal signal{Map::registers_16_bit, 1};
        for (std::int64_t day = 0; day < days_kept; ++day) {
            std::vector<ProbeReading> readings;
            for (int beat = 0; beat < 17'280; ++beat) {
                readings.push_back(
                    {ProbeKey{1}, signal.at(begin + days(static_cast<double>(day)) + Millis{5000 * beat})});
            }
            baseline.add(readings);
            store_groups(store, readings);
        }
    }
    auto reader = value(Reader::open(folder / "store.db"));
    auto const end = begin + days(static_cast<double>(days_kept));
    std::size_t counted = 0, counted_rows = 0;
    auto const day = best_of(5, [&] {
        auto stream = value(reader.stream({"p-1"}, end - days(1), end));
        for (counted = 0; value(stream.next()); ++counted) {
        }
    });
    std::vector<Reading> rows;
    auto const day_rows = best_of(5, [&] {
        rows.clear();
        baseline.read(1, end - days(1), end, [&](Reading const& r) { rows.push_back(r); });
        counted_rows = rows.size();
    });
    bench::print({"read_a_day", "readings/s", "bare SELECT of the same rows", ">= 1x",
                  static_cast<double>(counted) / day, static_cast<double>(counted_rows) / day_rows,
                  day_rows / day, counted == counted_rows && day <= day_rows});

    auto const step = Millis{days_kept * 86'400'000 / 600 / 60'000 * 60'000};
    std::int64_t in_steps = 0, in_rows = 0;
    auto const year = best_of(3, [&] {
        in_steps = 0;
        for (auto const& s : value(reader.steps("p-1", begin, end, step, {1000, std::nullopt})).items) {
            in_steps += s.count;
        }
    });
    auto const year_rows = best_of(2, [&] {
        std::vector<Step> steps;
        in_rows = 0;
        baseline.read(1, begin, end, [&](Reading const& r) {
            auto const start = from_unix_ms(to_unix_ms(r.time) / step.count() * step.count());
            if (steps.empty() || steps.back().start != start) {
                steps.emplace_back();
                steps.back().start = start;
            }
            auto& s = steps.back();
            ++s.count;
            ++in_rows;
            int q = 0;
            for (double const v : {r.do_mg_l, r.do_percent, r.temperature_c}) {
                auto& spread = s.quantities[static_cast<std::size_t>(q++)];
                spread.min = spread.count == 0 ? v : std::min(spread.min, v);
                spread.max = spread.count == 0 ? v : std::max(spread.max, v);
                spread.mean = spread.count == 0 ? v : spread.mean + v;
                ++spread.count;
            }
        });
    });
    bench::print({fmt::format("read_{}_days_at_600_points", days_kept), "ms", "bare SELECT of the same rows",
                  ">= 20x", 1e3 * year, 1e3 * year_rows, year_rows / year,
                  in_steps == in_rows && year * 20.0 <= year_rows});
}

}  // namespace

int main(int argc, char** argv) {
    std::set<std::string> const asked(argv + 1, argv + argc);
    bool const small = asked.contains("--small");
    bool const all = asked.size() == (small ? 1 : 0);
    if (all || asked.contains("stored")) {
        stored_a_second(1000, small ? 20 : 500);
    }
    if (all || asked.contains("bytes")) {
        for (auto const map : {Map::registers_16_bit, Map::float32_rounded, Map::float32_full_mantissa}) {
            bytes_a_value(map, small ? 2000 : 17'280, small ? 1 : 20);
        }
        bytes_a_value_of_recordings(small ? 1 : 20);
    }
    if (all || asked.contains("read")) {
        read_back(small ? 2 : 365);
    }
    return 0;
}
