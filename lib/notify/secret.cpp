#include "notify/secret.h"

#include <spdlog/fmt/fmt.h>

#include <fstream>
#include <stdexcept>

#include "base/text.h"

namespace probekeeper::notify {

std::string read_secret(std::filesystem::path const& file) {
    std::ifstream in{file};
    std::string line;
    std::getline(in, line);
    auto const secret = trimmed(line);
    if (secret.empty()) {
        throw std::runtime_error{fmt::format("{} holds no secret in its first line", file.string())};
    }
    return std::string{secret};
}

}  // namespace probekeeper::notify
