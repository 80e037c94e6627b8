// Stored readings that diagnosis does not know: those that uploads bring, and those whose diagnosis could not
// be made again yet, by site. From any thread. It outlives the keepers of one configuration after the other,
// for so may an upload.
//
// A checkpoint is a promise that whoever goes on from it misses nothing. One that is written after readings
// before it were stored, and before they were diagnosed, breaks it, should the daemon die then. So readings
// are announced before they are stored, and from then until they are taken for diagnosis no checkpoint at or
// beyond the first of them is written.
#pragma once

#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"
#include "store/writer.h"

namespace probekeeper::live {

class Arrivals {
public:
    struct Range {
        Timestamp first{}, last{};
    };
    using BySite = std::map<std::string, Range>;

    // Readings in these ranges are about to be stored; checkpoints that do not know them are then to be
    // dropped (a store::Rewind) before the first is. With its end they have come, be it some of them.
    class Announced {
    public:
        Announced(Arrivals& arrivals, BySite const& ranges);
        ~Announced();
        Announced(Announced const&) = delete;
        Announced& operator=(Announced const&) = delete;

    private:
        Arrivals& arrivals_;
        std::vector<std::multimap<std::string, Range>::iterator> coming_;
    };

    // Who is to be called, under a lock, where announced readings have come; in place of the one before.
    // Empty: nobody.
    void call(std::function<void()> where_come);
    // They are stored: diagnosis is to be made again from the first on. Joined with what came before.
    void came(std::string const& site, Range range);
    // What came at the site since it was asked last: whoever asks makes its diagnosis, or gives it back by
    // came().
    [[nodiscard]] std::optional<Range> take(std::string const& site);
    // Whether a state at `position` knows all that is stored up to there, and will.
    [[nodiscard]] bool known(std::string const& site, Timestamp position) const;
    // As writer.later(), without the checkpoints that are not known(). Nothing can be announced in between,
    // so an announcer that then drops checkpoints drops all that were handed on before.
    void hand_on(store::Changes changes, store::Writer& writer) const;

private:
    // Under the lock, like the next.
    void add(std::string const& site, Range range);
    [[nodiscard]] bool is_known(std::string const& site, Timestamp position) const;

    mutable std::mutex mutex_;  // guards the following
    std::multimap<std::string, Range> coming_;
    BySite came_;
    std::function<void()> where_come_;
};

}  // namespace probekeeper::live
