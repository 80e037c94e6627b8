// What can go wrong with the store, as a value: the disk fills, a file is newer than we are, a number is
// taken.
#pragma once

#include <boost/system/result.hpp>
#include <cstdint>
#include <stdexcept>
#include <string>
#include <utility>

namespace probekeeper::store {

enum class Fault : std::uint8_t {
    in_use,    // another process has the store open for writing
    newer,     // the file was written by a newer program
    older,     // the file has not been brought up to date yet (readers only; a Store does it when it opens)
    corrupt,   // not a database, or damaged
    foreign,   // a database of some other program
    full,      // no room on the disk
    io,        // the disk or the file system failed; also: cannot open
    busy,      // another connection held the lock longer than the busy timeout
    conflict,  // contradicts what is stored: a changed history, an unknown probe, a number twice
    bad_position,  // an `after` that this list did not give out, or a limit or step out of range
    stopped        // the writer has been stopped
};

// `message` is a whole sentence that says what failed, where, and what would be right.
struct Failure {
    Fault fault = Fault::io;
    std::string message;
};

// Full, busy and io may pass with time, so the same work is worth another try; the others are final.
// `corrupt` passes once the file has been set aside.
[[nodiscard]] constexpr bool may_pass(Fault f) {
    return f == Fault::full || f == Fault::busy || f == Fault::io;
}

// Whatever the work: the store fails.
[[nodiscard]] constexpr bool is_of_the_store(Fault f) {
    return may_pass(f) || f == Fault::corrupt;
}

// What Result::value() throws where there is none, and what the room throws within itself.
class Failed : public std::runtime_error {
public:
    explicit Failed(Failure const& failure) : std::runtime_error{failure.message}, fault_{failure.fault} {}
    [[nodiscard]] Fault fault() const { return fault_; }

private:
    Fault fault_;
};

[[noreturn]] inline void throw_exception_from_error(Failure const& failure, boost::source_location const&) {
    throw Failed{failure};
}

template <typename T>
using Result = boost::system::result<T, Failure>;

// What has to be there; throws Failed where it is not.
template <typename T>
T must(Result<T> result) {
    return std::move(result).value();
}

}  // namespace probekeeper::store
