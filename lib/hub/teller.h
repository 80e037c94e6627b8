// Says what a changed thing is now: out of the store, and of what the daemon knows in memory.
#pragma once

#include <memory>

#include "api/backend.h"
#include "fleet/fleet.h"
#include "hub/batch.h"
#include "store/reader.h"

namespace probekeeper::hub {

class Teller {
public:
    // All must outlive it.
    Teller(fleet::Fleet const& fleet, store::Reader& reader, api::Backend& backend)
        : fleet_{fleet}, reader_{reader}, backend_{backend} {}

    // Adds what there is of it to `batch`; nothing where it is gone meanwhile. Throws store::Failed, and
    // NotNow where the daemon cannot say just now.
    void tell(store::Fact const& fact, Batch& batch);
    void tell(store::WaitingHour const& hour, Batch& batch);

    struct NotNow {};

private:
    void tell_site(store::Fact const& fact, Batch& batch);
    void tell_probe(store::Fact const& fact, Batch& batch);

    fleet::Fleet const& fleet_;
    store::Reader& reader_;
    api::Backend& backend_;
};

}  // namespace probekeeper::hub
