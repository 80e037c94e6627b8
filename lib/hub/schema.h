// The hub's tables in PostgreSQL, schema `probekeeper`. A layout that has been released is never edited: the
// next one is a step added at the end. deploy/hub/README.md tells an administrator what they hold.
#pragma once

#include <span>
#include <string>

#include "postgres/connection.h"

namespace probekeeper::hub {

// SQL that leads from the layout before to this one. A site's daemon of layout `sites_from` or newer may
// still write.
struct LayoutStep {
    char const* sql = "";
    int sites_from = 1;
};
[[nodiscard]] std::span<LayoutStep const> layouts();

// Brings the database to the last of the layouts, each step in a transaction of its own under an advisory
// lock, so that hubs may start at the same time; then gives the roles `probekeeper_site` and
// `probekeeper_hub`, where they exist, what they need. Throws postgres::Error, Fault::wrong for a database
// that a newer program has laid out.
void migrate(postgres::Connection& connection);

// For whoever only uses the tables, a site's daemon: throws Fault::wrong unless the layout is one that it may
// write to.
void require_layout(postgres::Connection& connection);

// Channels of NOTIFY. Sent in a transaction of their own after what they tell of: PostgreSQL lets only one
// transaction at a time commit with a notification, and that should be the shortest there is. Whoever listens
// polls too.
inline constexpr char const* steps_channel = "probekeeper_steps";        // payload: the site
inline constexpr char const* outcomes_channel = "probekeeper_outcomes";  // payload: the step's id
inline constexpr char const* events_channel = "probekeeper_events";      // no payload

}  // namespace probekeeper::hub
