// Where the text of configuration files comes from: the disk, or wherever somebody keeps it.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "fleet/load.h"

namespace probekeeper::fleet {

class Files {
public:
    virtual ~Files() = default;
    // Empty: it cannot be read.
    [[nodiscard]] virtual std::optional<std::string> text(std::filesystem::path const& file) const = 0;
    // The files that `pattern` (glob(7)) in `folder` matches, sorted; only the pattern's own wildcards count.
    [[nodiscard]] virtual std::vector<std::filesystem::path> matching(std::filesystem::path const& folder,
                                                                      std::string const& pattern) const = 0;
};

class DiskFiles final : public Files {
public:
    [[nodiscard]] std::optional<std::string> text(std::filesystem::path const& file) const override;
    [[nodiscard]] std::vector<std::filesystem::path> matching(std::filesystem::path const& folder,
                                                              std::string const& pattern) const override;
};

// As load(file); what the configuration names beside its own files (tokens, certificates) is looked for on
// the disk.
[[nodiscard]] Loaded load(std::filesystem::path const& file, Files const& files);

}  // namespace probekeeper::fleet
