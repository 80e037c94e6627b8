// What the movement that two probes in one water share tells of them: the slower one shows it later. The lag
// of one behind the other, at the frequencies that both show, is the difference of their mean lags, whatever
// moved the water; with what the neighbour's own tests say of it, that is a test of this probe.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/samples.h"

namespace probekeeper::diagnosis {

// A neighbour's part in it.
struct NeighbourShown {
    Samples const* samples = nullptr;    // its newest readings; valid while the site is weighed
    std::int64_t in_water_since_ms = 0;  // so long they have been of the water alone
    double poll_s = 5.0;
    double lag_s = 0.0;        // mean lag of its response in this water as it is now, by its own tests
    double lag_error_s = 0.0;  // standard deviation
    bool usable = false;       // its response is known, and nothing is wrong with what it shows
    bool loose = false;        // but that its membrane moves it: of use only beside a slower one
};

struct Behind {
    double lag_s = 0.0, error_s = 0.0;  // negative: ahead
};

// How much later `own` shows what moves between two instants than `other` does. Both may have a gain and an
// offset of their own. Empty where the readings do not reach over at least twenty bins, or the water moved
// too little beside what the two do not share.
//
// The slower one is taken to lag the other by one time constant, the difference of their mean lags: exact of
// two first-order lags of which one is short, and of any linear response where the water changes slowly
// beside it (moments of the impulse response, e.g. Levenspiel, Chemical Reaction Engineering, on tracer
// curves). The derivative is taken over two spans that share no noise, one as the instrument of the other
// (Durbin 1954, "Errors in variables").
[[nodiscard]] std::optional<Behind> behind(Samples const& own, Samples const& other, std::int64_t from_ms,
                                           std::int64_t to_ms, double bin_s);

// One probe's mean lag at 20 degC by its neighbours, hour by hour.
class NeighbourLag {
public:
    struct Hour {
        double ln_lag = 0.0;       // s
        double own_error = 0.0;    // of ln, by this hour's movement
        double other_error = 0.0;  // of ln, by what is known of the neighbour: alike in all hours
    };
    void take(std::int64_t time_ms, Hour const& hour);
    // Another membrane, or a wipe: what was before is over.
    void forget() { hours_.clear(); }

    struct Known {
        double ln_lag = 0.0, error = 0.0;  // standard deviation
    };
    // Empty while the hours of the last days are too few.
    [[nodiscard]] std::optional<Known> known(std::int64_t now_ms) const;
    // 0: none.
    [[nodiscard]] std::int64_t newest_ms() const;

private:
    struct Kept {
        std::uint32_t at_s = 0;  // since 1970
        float ln_lag = 0.0F, own_error = 0.0F, other_error = 0.0F;
    };
    Ring<Kept, 16> hours_;
};

}  // namespace probekeeper::diagnosis
