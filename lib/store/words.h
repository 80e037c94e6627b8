// Words in the file back to the values they stand for. Private to this room.
#pragma once

#include <spdlog/fmt/fmt.h>

#include <optional>
#include <string>

#include "base/word.h"
#include "diagnosis/verdict.h"
#include "store/sqlite.h"

namespace probekeeper::store {

// A word that this program does not know can only come from a damaged file: a newer layout is refused at
// opening.
template <typename T>
T known(std::optional<T> value, std::string const& word) {
    if (!value) {
        refuse(Fault::corrupt,
               fmt::format("the store holds the unknown word '{}': put a backup in its place", word));
    }
    return *value;
}

// The value from the first up to `last` whose to_word() is `word`.
template <typename Enum>
Enum value_of(std::string const& word, Enum last) {
    return known(from_word(word, last), word);
}

inline diagnosis::Condition condition_of_word(std::string const& w) {
    return value_of(w, diagnosis::Condition::unknown);
}
inline diagnosis::ServiceState service_state_of_word(std::string const& w) {
    return value_of(w, diagnosis::ServiceState::out_of_use);
}
inline diagnosis::TestSource source_of_word(std::string const& w) {
    return value_of(w, diagnosis::TestSource::neighbour);
}
inline diagnosis::ResponseModel model_of_word(std::string const& w) {
    return value_of(w, diagnosis::ResponseModel::membrane);
}

}  // namespace probekeeper::store
