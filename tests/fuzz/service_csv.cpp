// A CSV of service records, as an import and a filled-in round sheet bring it.
#include "intake/service_csv.h"

#include <cmath>
#include <sstream>

#include "fuzz/fuzz.h"
#include "intake/small_fleet.h"

using namespace probekeeper;

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    static fleet::Fleet const fleet = intake::small_fleet();
    constexpr double widest = 1100.0;  // of what any instrument shows, see service_csv.h
    try {
        auto text = std::make_unique<std::istringstream>(std::string{fuzz::text_of(data, size)});
        std::uint64_t line = 0;
        for (auto const& row : intake::read_service_rows(std::move(text), fleet)) {
            auto const& record = row.record;
            fuzz::require(row.line > line, "rows come in the order of the text");
            line = row.line;
            fuzz::require(fleet.find_probe(record.probe).has_value(), "a record is of a probe of the fleet");
            for (auto const& value :
                 {record.dry_zero_mg_l, record.dry_zero_found_mg_l, record.air_percent, record.reference_mg_l,
                  record.reference_percent, record.probe_mg_l, record.pressure_hpa}) {
                fuzz::require(!value || std::abs(*value) <= widest, "a number is one that instruments show");
            }
        }
    } catch (intake::CsvError const&) {
    }
    return 0;
}
