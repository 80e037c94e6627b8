#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "rounds/papers.h"
#include "rounds/words.h"

namespace probekeeper::rounds {
namespace {

// RFC 4180; and what a spreadsheet would take for a formula begins with an apostrophe.
std::string cell(std::string_view text) {
    std::string out;
    if (!text.empty() && std::string_view{"=+-@"}.find(text[0]) != std::string_view::npos) {
        out += '\'';
    }
    out += text;
    // A form is a row a line: a line's end inside a cell would come back as something else.
    std::replace_if(
        out.begin(), out.end(), [](char c) { return c == '\n' || c == '\r' || c == '\t' || c == '\0'; }, ' ');
    if (out.find_first_of("\",'") == std::string::npos) {
        return out;
    }
    std::string quoted = "\"";
    for (char const c : out) {
        quoted += c == '"' ? std::string{"\"\""} : std::string{c};
    }
    return quoted + "\"";
}

}  // namespace

std::vector<service::Work> records_of(RoundJob const& job) {
    using service::Work;
    std::vector<Work> kinds;
    auto const add = [&](std::string_view work, Work kind) {
        if (std::find(job.work.begin(), job.work.end(), work) != job.work.end()) {
            kinds.push_back(kind);
        }
    };
    add("wipe_membrane", Work::membrane_wipe);
    add("change_membrane_and_o_ring", Work::membrane_change);
    add("clean_anode_and_cathode", Work::electrode_clean);
    add("air_calibration", Work::air_calibration);
    add("reference_check", Work::reference_check);
    if (kinds.empty()) {
        kinds.push_back(Work::inspection);
    }
    return kinds;
}

std::string to_csv(Round const& round) {
    std::string out =
        "time,probe,kind,dry_zero_mg_l,dry_zero_found_mg_l,air_percent,reference_mg_l,reference_percent,"
        "probe_mg_l,pressure_hpa,serial,visit,by,note\r\n";
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            if (!day.lead.empty()) {
                continue;  // the form is the other's
            }
            for (auto const& stop : day.stops) {
                for (auto const& job : stop.jobs) {
                    for (auto const kind : records_of(job)) {
                        out += fmt::format(",{},{},,,,,,,,{},{},{},{}\r\n", cell(job.probe),
                                           service::to_word(kind), cell(job.serial),
                                           cell(day_text(day.date) + "-" + stop.site),
                                           cell(technician.technician), cell(job.why_now));
                    }
                }
            }
        }
    }
    return out;
}

}  // namespace probekeeper::rounds
