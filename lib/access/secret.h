// Secrets that are shown once and kept as hashes, by OpenSSL's random source and SHA-256.
#pragma once

#include <string>
#include <string_view>

namespace probekeeper::access {

// `prefix` and 256 random bits in base64url. Throws std::runtime_error where the system has no randomness.
[[nodiscard]] std::string new_secret(std::string_view prefix);

// SHA-256 in 64 lower-case hex digits. No salt and no slow hash: what is hashed is 256 random bits, which no
// list and no patience can guess.
[[nodiscard]] std::string hash_of(std::string_view secret);

// Equal, in a time that does not depend on where two hashes of the same length differ.
[[nodiscard]] bool same_hash(std::string_view a, std::string_view b);

}  // namespace probekeeper::access
