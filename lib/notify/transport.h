// One way out: hands one message to its receiver.
#pragma once

#include <string>

#include "store/values.h"

namespace probekeeper::notify {

struct Sent {
    enum class Outcome {
        taken,        // the receiver has it
        unreachable,  // and would not have taken another one: nobody there, overloaded, no right to log in
        refused       // this one, and perhaps not the next
    };
    Outcome outcome = Outcome::taken;
    std::string why;  // of the latter two, and where not all addresses took it; without secrets
};

class Transport {
public:
    virtual ~Transport() = default;
    // Blocks until the receiver has answered, for some ten seconds at most, or interrupt(). Used by one
    // thread.
    [[nodiscard]] virtual Sent send(store::Notice const& notice, Timestamp now) = 0;
    // From another thread: lets a send() under way, and each later one, end soon.
    virtual void interrupt() = 0;
};

}  // namespace probekeeper::notify
