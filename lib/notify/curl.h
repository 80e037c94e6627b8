// libcurl behind handles that cannot be left open. Private to this room.
#pragma once

#include <curl/curl.h>

#include <atomic>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>

namespace probekeeper::notify {

template <auto Free>
struct Freed {
    void operator()(auto* p) const noexcept { Free(p); }
};
using CurlHandle = std::unique_ptr<CURL, Freed<&curl_easy_cleanup>>;
using CurlList = std::unique_ptr<curl_slist, Freed<&curl_slist_free_all>>;

void append(CurlList& list, std::string const& line);

// What all transfers share: time limits, no signals, nothing of what is received is kept, TLS by `ca_file` or
// the system's certificates, and an end when `stop` is set. `stop` and `error` must outlive the transfer.
[[nodiscard]] CurlHandle new_transfer(std::optional<std::filesystem::path> const& ca_file,
                                      std::atomic<bool> const& stop, char* error);

}  // namespace probekeeper::notify
