// What a week's round is planned from, out of the store.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "rounds/compose.h"
#include "service/membranes.h"
#include "store/reader.h"

namespace probekeeper::live {

// Of a week: what was published of it and when somebody asked to begin again, as they came.
struct ToldWeek {
    std::vector<rounds::Round> published;
    bool replanned = false;  // since the last of them
};

struct RoundSource {
    rounds::Asked asked;
    ToldWeek told;
    // Where the configuration may change meanwhile: what it was, and a word that is another for each.
    std::shared_ptr<fleet::Fleet const> fleet{};
    std::string fleet_version{};
};

using LifeDays = std::map<std::string, double>;  // by probe

// What a plan is made of, from whoever keeps it. Functions throw std::exception where it cannot be read.
class RoundFacts {
public:
    virtual ~RoundFacts() = default;
    virtual std::vector<service::Ticket> unfinished_tickets() = 0;
    virtual std::map<std::string, Timestamp> last_visits() = 0;  // by site
    virtual std::vector<rounds::Expected> expected() = 0;        // the forecasts of the newest diagnoses
    virtual std::vector<service::OutOfUse> out_of_use() = 0;
    virtual std::vector<store::KeptRound> rounds(std::string const& week) = 0;  // as they came
};
[[nodiscard]] RoundSource round_source(RoundFacts& facts, zone::Week week, Timestamp now, LifeDays lives);
[[nodiscard]] LifeDays membrane_life_days(fleet::Fleet const& fleet,
                                          std::vector<service::MembraneLife> const& lives);

// How long the membrane that each probe takes lasts until it is worn, by what has been seen of that kind
// here, and by a weak expectation before. Reads all records and tickets that there are: not for every
// request.
[[nodiscard]] store::Result<LifeDays> read_membrane_lives(store::Reader& reader, fleet::Fleet const& fleet,
                                                          Timestamp now);

// At `now`. What rounds of other weeks that people were told of still hold is not asked for again.
[[nodiscard]] store::Result<RoundSource> read_round_source(store::Reader& reader, fleet::Fleet const& fleet,
                                                           zone::Week week, Timestamp now, LifeDays lives);

// All of it that can change a plan: of equal texts the plans are equal, but for a limit in time.
[[nodiscard]] std::string fingerprint_of(RoundSource const& source);

}  // namespace probekeeper::live
