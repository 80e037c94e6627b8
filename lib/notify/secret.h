// Passwords and keys, which lie in files of their own. Private to this room.
#pragma once

#include <filesystem>
#include <string>

namespace probekeeper::notify {

// The first line of a file that holds one secret, without blanks around it. Throws std::runtime_error with a
// sentence where there is none.
[[nodiscard]] std::string read_secret(std::filesystem::path const& file);

}  // namespace probekeeper::notify
