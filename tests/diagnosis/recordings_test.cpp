// Real recordings of real probes: those that were healthy stay unblamed, those that were not are named. The
// recordings are optional beside a checkout (their README says where each comes from); without them nothing
// is tested here.
#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>

#include "base/text.h"
#include "diagnosis/bench.h"
#include "diagnosis/response.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis::test {
namespace {

// A plain CSV: one header line, no quotes. Empty where the file is absent.
class Table {
public:
    explicit Table(std::string const& name) {
        auto const file = std::filesystem::path{PROBEKEEPER_SHARED_DIR} / "data" / name;
        std::ifstream in{file};
        if (!in) {
            WARN("skipped: no recording " << file);
            return;
        }
        std::string line;
        std::getline(in, line);
        auto const names = cells_of(line);
        for (std::size_t i = 0; i < names.size(); ++i) {
            columns_[names[i]] = i;
        }
        while (std::getline(in, line)) {
            rows_.push_back(cells_of(line));
        }
    }
    [[nodiscard]] bool absent() const { return rows_.empty(); }
    [[nodiscard]] std::size_t size() const { return rows_.size(); }
    [[nodiscard]] std::string const& text(std::size_t row, std::string const& column) const {
        return rows_[row].at(columns_.at(column));
    }
    [[nodiscard]] double number(std::size_t row, std::string const& column) const {
        return parse_number(text(row, column)).value_or(not_read);
    }
    [[nodiscard]] Timestamp time(std::size_t row) const {
        if (columns_.contains("time_s")) {
            return day_one + seconds(number(row, "time_s"));
        }
        auto cell = text(row, "time");
        auto const t = parse_rfc3339(cell.ends_with('Z') ? cell : cell + "Z");
        REQUIRE(t);
        return *t;
    }

private:
    static std::vector<std::string> cells_of(std::string const& line) {
        std::vector<std::string> cells(1);
        for (char const c : line) {
            if (c == ',') {
                cells.emplace_back();
            } else if (c != '\r') {
                cells.back() += c;
            }
        }
        return cells;
    }
    std::map<std::string, std::size_t> columns_;
    std::vector<std::vector<std::string>> rows_;
};

struct Columns {
    std::string mg_l, percent, temperature, aeration, airflow;
};

Columns at_depth(std::string const& depth) {
    Columns c;
    c.mg_l = "do_mg_l_" + depth;
    c.percent = "do_percent_" + depth;
    c.temperature = "temp_c_" + depth;
    return c;
}

// Each probe in a water of its own, with nothing known of it beforehand.
Heard replay(Table const& table, std::vector<Columns> const& probes, double poll_s) {
    auto setup = site_of(probes.size(), poll_s);
    for (auto& p : setup.probes) {
        p.t90_s.reset();
        p.pressure_measured = false;
        p.neighbours.clear();
    }
    SiteDiagnosis site{setup};
    Heard heard;
    for (std::size_t row = 0; row < table.size(); ++row) {
        for (std::size_t place = 0; place < probes.size(); ++place) {
            auto const& c = probes[place];
            auto const value = [&](std::string const& column) {
                return column.empty() ? not_read : table.number(row, column);
            };
            Reading r;
            r.time = table.time(row);
            r.do_mg_l = value(c.mg_l);
            r.do_percent = value(c.percent);
            r.temperature_c = value(c.temperature);
            r.airflow = value(c.airflow);
            if (!c.aeration.empty()) {
                r.set(mark_aeration, table.number(row, c.aeration) > 0.5);
            }
            site.take(place, r, heard);
        }
    }
    return heard;
}

std::string all(Heard const& heard) {
    std::string text;
    for (auto const& f : heard.found) {
        text += fmt::format("{} {} {}: {}\n", f.place, to_rfc3339(f.finding.raised_at),
                            to_word(f.finding.reason), f.finding.text);
    }
    return text;
}

bool raised_between(Heard const& heard, std::vector<Reason> const& reasons, std::string_view from,
                    std::string_view until) {
    return std::any_of(heard.found.begin(), heard.found.end(), [&](auto const& f) {
        return std::find(reasons.begin(), reasons.end(), f.finding.reason) != reasons.end() &&
               f.finding.raised_at >= parse_rfc3339(from) && f.finding.raised_at <= parse_rfc3339(until);
    });
}

}  // namespace

TEST_CASE("a healthy pilot plant with 48 aeration cycles in a day raises no reason",
          "[diagnosis][recordings]") {
    Table const table{"wwtp_pilot_2020-03-04.csv"};
    if (table.absent()) {
        return;
    }
    auto const heard = replay(table,
                              {{"do_mg_l_pilot", "", "", "aeration_on_pilot", ""},
                               {"do_mg_l_copilot", "", "", "", "air_m3_s_copilot"}},
                              60.0);
    INFO(all(heard));
    CHECK(heard.found.empty());
}

TEST_CASE("probes in deep water that is truly without oxygen are not stuck, dead or fouled",
          "[diagnosis][recordings]") {
    auto const file = GENERATE(as<std::string_view>{}, "reservoir_bvr_2020.csv", "reservoir_fcr_2021.csv");
    CAPTURE(file);
    Table const table{std::string{file}};
    if (table.absent()) {
        return;
    }
    auto const heard = replay(table, {at_depth(file == "reservoir_bvr_2020.csv" ? "13m" : "9m")}, 600.0);
    INFO(all(heard));
    CHECK_FALSE(heard.ever(Reason::stuck));
    CHECK_FALSE(heard.ever(Reason::no_signal));
    CHECK_FALSE(heard.ever(Reason::background));
}

TEST_CASE("a sonde that its network marked as malfunctioning, at exactly 0.0 for days, is named",
          "[diagnosis][recordings]") {
    Table const table{"estuary_apadb_2012.csv"};
    if (table.absent()) {
        return;
    }
    auto const heard = replay(table, {{"do_mg_l", "do_percent", "temp_c", "", ""}}, 900.0);
    INFO(all(heard));
    CHECK(raised_between(heard, {Reason::no_signal, Reason::stuck}, "2012-02-01T00:00:00Z",
                         "2012-03-01T00:00:00Z"));
}

TEST_CASE("a river probe stuck at 0.00 for days, twice in a month, is named", "[diagnosis][recordings]") {
    Table const table{"river_mainstreet2019.csv"};
    if (table.absent()) {
        return;
    }
    auto const heard = replay(table, {{"do_mg_l", "", "temp_c", "", ""}}, 900.0);
    INFO(all(heard));
    CHECK(raised_between(heard, {Reason::no_signal, Reason::stuck}, "2019-08-01T00:00:00Z",
                         "2019-09-01T00:00:00Z"));
    CHECK_FALSE(raised_between(heard, {Reason::no_signal, Reason::stuck}, "2019-01-01T00:00:00Z",
                               "2019-07-31T00:00:00Z"));
}

TEST_CASE("the repeats of a coarse reading in a closed vessel are not taken for a stuck probe",
          "[diagnosis][recordings]") {
    auto const file = GENERATE(as<std::string_view>{}, "respiro_sardine.csv", "respiro_urchin_flush.csv");
    CAPTURE(file);
    Table const table{std::string{file}};
    if (table.absent()) {
        return;
    }
    Columns probe;
    if (file == "respiro_sardine.csv") {
        probe.percent = "do_percent";
        probe.temperature = "temp_c";
    } else {
        probe.mg_l = "do_mg_l";
    }
    auto const heard = replay(table, {probe}, 1.0);
    INFO(all(heard));
    CHECK(heard.found.empty());
}

namespace {

struct Gassing {
    std::string airflow;
    std::vector<FitPoint> points;  // t = 0 at the lowest reading: nothing tells when the air came
};

std::vector<Gassing> gassing_runs(Table const& table) {
    std::vector<Gassing> runs;
    for (std::size_t row = 0; row < table.size(); ++row) {
        auto const& run = table.text(row, "run");
        if (row == 0 || run != table.text(row - 1, "run")) {
            runs.push_back({table.text(row, "airflow_umol_s"), {}});
        }
        runs.back().points.push_back({table.number(row, "time_s"), table.number(row, "do_mg_l")});
    }
    for (auto& run : runs) {
        auto const lowest = std::min_element(run.points.begin(), run.points.end(),
                                             [](auto const& a, auto const& b) { return a.value < b.value; });
        double const zero_s = lowest->t_s;
        for (auto& p : run.points) {
            p.t_s -= zero_s;
        }
    }
    return runs;
}

// The same run as a probe shows it that lags what is recorded by `tau_s`.
std::vector<FitPoint> slowed(std::vector<FitPoint> points, double tau_s) {
    double shown = points.front().value;
    for (std::size_t i = 1; i < points.size(); ++i) {
        double const before = points[i - 1].value;
        double const keep = std::exp(-(points[i].t_s - points[i - 1].t_s) / tau_s);
        std::swap(shown, points[i - 1].value);
        shown = keep * points[i - 1].value + (1.0 - keep) * 0.5 * (before + points[i].value);
    }
    points.back().value = shown;
    return points;
}

}  // namespace

TEST_CASE("recorded gassing-in runs give kLa that grows with the air, and lateness that grows by a known lag",
          "[diagnosis][recordings]") {
    Table const table{"reaeration_2019.csv"};
    if (table.absent()) {
        return;
    }
    constexpr double added_s = 20.0, saturation = 8.6;  // of a laboratory; no temperature is recorded
    std::vector<double> low, high, grown;
    std::size_t usable = 0;
    for (auto const& run : gassing_runs(table)) {
        auto const found = fit_rise(run.points, 0.0, 20.0, 0.01, saturation);
        auto const later = fit_rise(slowed(run.points, added_s), 0.0, 20.0, 0.01, saturation);
        UNSCOPED_INFO(run.airflow << " tau " << found.tau_s << " late " << found.late_s << " +- "
                                  << found.late_error_s << " kLa " << found.kla_per_h << " "
                                  << found.set_aside << " | slowed: tau " << later.tau_s << " late "
                                  << later.late_s << " kLa " << later.kla_per_h << " " << later.set_aside);
        if (found.kla_per_h == 0.0 || later.kla_per_h == 0.0) {
            continue;
        }
        ++usable;
        double const airflow = parse_number(run.airflow).value_or(0.0);
        (airflow < 300.0 ? low : high).push_back(found.kla_per_h);
        grown.push_back(later.late_s - found.late_s);
    }
    REQUIRE(usable >= 12);
    REQUIRE(low.size() >= 3);
    REQUIRE(high.size() >= 3);
    CHECK(estimate::median_inplace(high) > 1.3 * estimate::median_inplace(low));
    CHECK(estimate::median_inplace(grown) == Approx(added_s).epsilon(0.25));
}

}  // namespace probekeeper::diagnosis::test
