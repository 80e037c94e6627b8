// The API's settings out of the configuration's.
#pragma once

#include <memory>

#include "api/server.h"
#include "fleet/fleet.h"

namespace probekeeper::live {

// Both throw std::runtime_error with a sentence where a file that they name cannot be read or says nothing of
// use.
[[nodiscard]] api::AccessRules rules_of(fleet::HttpSettings const& settings);
[[nodiscard]] std::shared_ptr<api::Tls> tls_of(fleet::HttpSettings const& settings);

// With both of these.
[[nodiscard]] api::Options http_options(fleet::HttpSettings const& settings);

}  // namespace probekeeper::live
