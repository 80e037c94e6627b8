#include "api/spool.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <string>
#include <system_error>

namespace probekeeper::api {

Spool::Spool(std::filesystem::path const& folder) {
    auto name =
        ((folder.empty() ? std::filesystem::temp_directory_path() : folder) / "upload-XXXXXX").string();
    fd_ = ::mkostemp(name.data(), O_CLOEXEC);  // readable by its owner alone
    if (fd_ < 0) {
        error_.assign(errno, std::generic_category());
        return;
    }
    path_ = name;
}

Spool::~Spool() {
    if (fd_ >= 0) {
        ::close(fd_);
        ::unlink(path_.c_str());
    }
}

void Spool::write(std::string_view bytes) {
    while (!bytes.empty() && !error_) {
        auto const written = ::write(fd_, bytes.data(), bytes.size());
        if (written < 0 && errno != EINTR) {
            error_.assign(errno, std::generic_category());
            return;
        }
        bytes.remove_prefix(written > 0 ? static_cast<std::size_t>(written) : 0);
    }
}

}  // namespace probekeeper::api
