// An instrument as JSON: where it has been, its membranes, how quickly it responded.
#pragma once

#include <boost/json/object.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"
#include "service/membranes.h"

namespace probekeeper::document {

struct InstrumentStay {
    std::string probe, site;  // both empty: the workshop; the site: of a position not known any more
    std::optional<Timestamp> from, until;  // none: since before the records; until now
};

// A day on which the instrument was tested: the median of the tests that were used.
struct ResponseDay {
    Timestamp day{};  // its beginning, UTC
    std::string probe;
    double t90_20_s = 0.0;
    int tests = 0;
};

struct Instrument {
    std::string serial;
    std::vector<InstrumentStay> stays;  // in order, the last one goes on; never empty
    // Of its own page only; a list leaves these out.
    bool whole = false;
    std::vector<service::MembraneLife> membranes;
    std::vector<ResponseDay> responses;
};

// "probe" and "site" say where it is now; both null: in the workshop.
[[nodiscard]] boost::json::object to_json(Instrument const& instrument);

}  // namespace probekeeper::document
