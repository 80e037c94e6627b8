// A CSV of readings, as an export, an upload and a replay bring it.
#include "intake/readings_csv.h"

#include "fuzz/fuzz.h"
#include "intake/small_fleet.h"

using namespace probekeeper;

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    static fleet::Fleet const fleet = intake::small_fleet();
    std::uint64_t told = 0;
    intake::CsvOptions options;
    options.bad_row = [&](intake::BadRow const& row) {
        ++told;
        fuzz::require(!to_line(row).empty(), "a bad row is told in words");
    };
    try {
        auto csv = intake::ReadingsCsv::from_text(std::string{fuzz::text_of(data, size)}, fleet, options);
        std::optional<intake::Row> before;
        std::uint64_t given = 0;
        while (auto const row = csv.next()) {
            fuzz::require(row->probe < fleet.probes.size(), "a row is of a probe of the fleet");
            fuzz::require(!before || before->reading.time < row->reading.time ||
                              (before->reading.time == row->reading.time && before->probe < row->probe),
                          "rows come in the order of time and probe, each once");
            before = row;
            ++given;
        }
        auto const counts = csv.counts();
        fuzz::require(counts.rows == given + counts.repeated + counts.bad,
                      "every row is given, repeated or bad");
        fuzz::require(counts.bad == told, "every bad row is told");
    } catch (intake::CsvError const&) {
    }
    return 0;
}
