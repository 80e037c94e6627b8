// The words of the interface for the values of this room, each spelt once.
#include <array>

#include "service/record.h"
#include "service/ticket.h"

namespace probekeeper::service {
namespace {

constexpr std::array<std::string_view, 9> work_words{"membrane_change", "membrane_wipe",   "electrode_clean",
                                                     "air_calibration", "reference_check", "probe_swap",
                                                     "moved",           "settings_change", "inspection"};
constexpr std::array<std::string_view, 7> state_words{"open",     "acknowledged", "planned",  "serviced",
                                                      "verified", "closed",       "withdrawn"};
constexpr std::array<std::string_view, 3> urgency_words{"now", "this_week", "next_visit"};
constexpr std::array<std::string_view, 4> found_words{"as_diagnosed", "other_fault", "no_fault_found",
                                                      "not_looked"};

// Places in the tables are the values of the enums.
static_assert(static_cast<std::size_t>(Work::inspection) + 1 == work_words.size());
static_assert(static_cast<std::size_t>(State::withdrawn) + 1 == state_words.size());
static_assert(static_cast<std::size_t>(Urgency::next_visit) + 1 == urgency_words.size());
static_assert(static_cast<std::size_t>(Found::not_looked) + 1 == found_words.size());

template <typename Enum, std::size_t N>
std::optional<Enum> value_of(std::array<std::string_view, N> const& words, std::string_view word) {
    for (std::size_t i = 0; i < N; ++i) {
        if (words[i] == word) {
            return static_cast<Enum>(i);
        }
    }
    return std::nullopt;
}

}  // namespace

std::string_view to_word(Work w) {
    return work_words[static_cast<std::size_t>(w)];
}
std::string_view to_word(State s) {
    return state_words[static_cast<std::size_t>(s)];
}
std::string_view to_word(Urgency u) {
    return urgency_words[static_cast<std::size_t>(u)];
}
std::string_view to_word(Found f) {
    return found_words[static_cast<std::size_t>(f)];
}

std::optional<Work> work_of(std::string_view word) {
    return value_of<Work>(work_words, word);
}
std::optional<State> state_of(std::string_view word) {
    return value_of<State>(state_words, word);
}
std::optional<Urgency> urgency_of(std::string_view word) {
    return value_of<Urgency>(urgency_words, word);
}
std::optional<Found> found_of(std::string_view word) {
    return value_of<Found>(found_words, word);
}

bool is_finished(State s) {
    return s == State::verified || s == State::closed || s == State::withdrawn;
}

}  // namespace probekeeper::service
