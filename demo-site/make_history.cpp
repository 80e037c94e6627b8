// Lives the estate through its history and writes what the probes showed as a readings CSV, and what the
// technicians did as a service CSV.
#include <spdlog/fmt/fmt.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>
#include <stdexcept>
#include <string>
#include <system_error>

#include "estate/estate.h"
#include "estate/history.h"

namespace {

using namespace probekeeper;
using estate::Estate;

// A text file that is complete when close() returns, or an exception says why not.
class TextFile {
public:
    explicit TextFile(std::string const& path) : path_{path}, file_{std::fopen(path.c_str(), "w")} {
        check(file_ != nullptr);
    }
    void write(fmt::memory_buffer const& text) {
        check(std::fwrite(text.data(), 1, text.size(), file_.get()) == text.size());
    }
    void close() { check(std::fclose(file_.release()) == 0); }

private:
    struct Close {
        void operator()(std::FILE* f) const { static_cast<void>(std::fclose(f)); }
    };
    void check(bool done) const {
        if (!done) {
            throw std::system_error{errno, std::generic_category(), "cannot write " + path_};
        }
    }
    std::string path_;
    std::unique_ptr<std::FILE, Close> file_;
};

// One line that overwrites itself, and only where somebody looks at it.
class Progress {
public:
    explicit Progress(estate::HistorySpan span) : span_{span}, shown_(isatty(STDERR_FILENO) == 1) {}
    void at(Timestamp now) {
        int const percent = static_cast<int>(100.0 * seconds_between(span_.from, now) /
                                             seconds_between(span_.from, span_.until));
        if (shown_ && percent != percent_) {
            percent_ = percent;
            fmt::print(stderr, "\rhistory [{:<50}] {:3} %",
                       std::string(static_cast<std::size_t>(percent) / 2, '#'), percent);
        }
    }
    void end() const {
        if (shown_) {
            fmt::print(stderr, "\n");
        }
    }

private:
    estate::HistorySpan span_;
    bool shown_;
    int percent_ = -1;
};

constexpr std::string_view readings_header =
    "time,probe,do_mg_l,temperature_c,salinity_psu,pressure_hpa,airflow,cleaning,aeration,hold\n";
constexpr std::string_view service_header =
    "time,probe,kind,dry_zero_found_mg_l,dry_zero_mg_l,air_percent,by\n";

// A cell for each signal that this kind of device gives; the others stay empty, as over the wire.
void append_reading(fmt::memory_buffer& out, std::string_view time, estate::ProbePlan const& probe,
                    estate::Shown const& s) {
    auto to = std::back_inserter(out);
    fmt::format_to(to, "{},{},{:.3f},{:.2f},", time, probe.id, s.do_mg_l, s.temperature_c);
    switch (probe.registers) {
        case estate::Registers::two_floats:
            fmt::format_to(to, ",,{:.1f}", s.airflow_percent);
            break;
        case estate::Registers::swapped_floats:
            fmt::format_to(to, "{:.1f},{:.1f},", s.salinity_psu, s.pressure_hpa);
            break;
        case estate::Registers::scaled_words:
            fmt::format_to(to, ",,");
            break;
    }
    fmt::format_to(to, ",{:d},{:d},{:d}\n", s.cleaning, s.aeration, s.hold);
}

std::string cell(std::optional<double> value, int decimals) {
    return value ? fmt::format("{:.{}f}", *value, decimals) : std::string{};
}

void append_job(fmt::memory_buffer& out, estate::Job const& job, std::string_view probe) {
    fmt::format_to(std::back_inserter(out), "{},{},{},{},{},{},technician-1\n", to_rfc3339(job.time), probe,
                   job.kind, cell(job.dry_zero_found_mg_l, 3), cell(job.dry_zero_mg_l, 3),
                   cell(job.air_percent, 1));
}

struct Wanted {
    std::string readings, service, until;
    double days = 60.0;
    int every_s = 10;
};

void write_history(Wanted const& wanted) {
    auto const span = estate::history_span(wanted.until, wanted.days);
    Estate estate{span.from};
    TextFile readings{wanted.readings}, service{wanted.service};
    fmt::memory_buffer rows, jobs;
    rows.append(readings_header);
    jobs.append(service_header);
    Progress progress{span};
    auto const& probes = estate.probes();
    for (Timestamp due = span.from + Estate::history_step; due <= span.until;
         due += std::chrono::seconds{wanted.every_s}) {
        estate.live_through(due);
        auto const time = to_rfc3339(estate.now());
        for (std::size_t i = 0; i < probes.size(); ++i) {
            append_reading(rows, time, probes[i], estate.shown(i));
        }
        readings.write(rows);
        rows.clear();
        progress.at(due);
    }
    for (auto const& job : estate.take_jobs()) {
        append_job(jobs, job, probes[job.probe].id);
    }
    service.write(jobs);
    readings.close();
    service.close();
    progress.end();
}

}  // namespace

int main(int argc, char** argv) {
    Wanted wanted;
    CLI::App app{"Writes the history of the demonstration's simulated estate"};
    app.add_option("--readings", wanted.readings, "readings CSV to write")->required();
    app.add_option("--service", wanted.service, "service CSV to write")->required();
    app.add_option("--until", wanted.until, "end of the history, RFC 3339")->required();
    app.add_option("--days", wanted.days, "length of the history")->capture_default_str();
    app.add_option("--every-s", wanted.every_s, "seconds from one reading to the next, a multiple of 5")
        ->capture_default_str()
        ->check(CLI::Range(5, 600));
    CLI11_PARSE(app, argc, argv);
    try {
        write_history(wanted);
    } catch (std::invalid_argument const& e) {
        fmt::print(stderr, "make_history: {}\n", e.what());
        return 2;
    } catch (std::exception const& e) {
        fmt::print(stderr, "make_history: {}\n", e.what());
        return 1;
    }
    return 0;
}
