// HTTP message signatures with a shared secret, so that a receiver knows who sent a message, when, and that
// nobody changed it. RFC 9421 (hmac-sha256, section 3.3.3) over what the caller names; RFC 9530 for the body.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace probekeeper::notify {

// One line of the signature base: a field in lower case, or a derived component such as "@method".
struct Component {
    std::string name, value;
};

// RFC 9530: "sha-256=:BASE64:".
[[nodiscard]] std::string content_digest(std::string_view body);

// `("a" "b");created=SECONDS;keyid="ID"`. The algorithm is not named: RFC 9421 lets the key imply it.
// `key_id` must be printable ASCII without quotes and backslashes.
[[nodiscard]] std::string signature_params(std::vector<Component> const& covered, std::int64_t created_unix_s,
                                           std::string_view key_id);
// RFC 9421, section 2.5.
[[nodiscard]] std::string signature_base(std::vector<Component> const& covered, std::string_view params);
// Base64 of HMAC-SHA-256. Throws std::runtime_error where the library fails.
[[nodiscard]] std::string sign(std::string_view key, std::string_view base);

[[nodiscard]] std::string base64(std::string_view bytes);

}  // namespace probekeeper::notify
