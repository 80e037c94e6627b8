// A file for one body that is too large to hold: gone with its object.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string_view>
#include <system_error>

namespace probekeeper::api {

class Spool {
public:
    // In `folder`, or in the system's for temporary files where it is empty.
    explicit Spool(std::filesystem::path const& folder);
    ~Spool();
    Spool(Spool const&) = delete;
    Spool& operator=(Spool const&) = delete;

    void write(std::string_view bytes);
    // The first failure, of the constructor or of a write; nothing is written after it.
    [[nodiscard]] std::error_code error() const { return error_; }
    [[nodiscard]] std::filesystem::path const& path() const { return path_; }

private:
    std::filesystem::path path_;
    int fd_ = -1;
    std::error_code error_;
};

}  // namespace probekeeper::api
