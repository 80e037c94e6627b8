// Recorded readings through the same pipeline as live ones, as fast as they can be read.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <stdexcept>
#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "fleet/fleet.h"
#include "intake/bad_rows.h"

namespace probekeeper::replay {

struct Request {
    std::filesystem::path readings;
    std::optional<std::filesystem::path> service;
    std::optional<std::filesystem::path> store;      // must hold no readings; without it nothing is kept
    std::optional<std::filesystem::path> tickets;    // JSON lines, every ticket of the run
    std::optional<std::filesystem::path> diagnosis;  // a folder; PROBE.json of each configured probe
    std::uint64_t max_bad_rows = 1000;
};

struct Progress {
    std::uint64_t bytes_read = 0, bytes_total = 0;  // total 0: not known
    std::uint64_t readings = 0;
    Timestamp at{};
};

struct Watcher {
    std::function<void(Progress const&)> progress;  // several times a second at most; may be empty
    std::function<void(std::filesystem::path const&, intake::BadRow const&)> bad_row;  // likewise
};

// What is asked back about a record of the service file, see service/questions.h.
struct Question {
    std::uint64_t line = 0;  // of the file
    std::string text;
};

struct Summary {
    std::uint64_t rows = 0, repeated = 0, bad = 0;
    std::uint64_t records = 0;
    std::optional<Timestamp> first, last;  // of the readings
    std::uint64_t response_tests = 0, response_tests_used = 0;
    std::uint64_t tickets = 0, tickets_unfinished = 0;
    std::map<diagnosis::Reason, std::uint64_t> reasons;  // of all tickets
    std::vector<Question> questions;                     // by line
};

// What was asked for cannot be: a store that holds readings, an output folder that cannot be made.
class WrongUsage : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
};

// Throws WrongUsage before anything is done; intake::CsvError and std::runtime_error where the work fails.
// Then no output is left behind: the store is made beside its place and moved there last.
[[nodiscard]] Summary run(fleet::Fleet const& fleet, Request const& request, Watcher const& watcher);

}  // namespace probekeeper::replay
