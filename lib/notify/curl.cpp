#include "notify/curl.h"

#include <new>
#include <stdexcept>

namespace probekeeper::notify {
namespace {

constexpr long connect_ms = 5'000, whole_ms = 10'000;

std::size_t drop(char*, std::size_t size, std::size_t count, void*) {
    return size * count;
}

int stopped(void* stop, curl_off_t, curl_off_t, curl_off_t, curl_off_t) {
    return static_cast<std::atomic<bool> const*>(stop)->load() ? 1 : 0;
}

}  // namespace

void append(CurlList& list, std::string const& line) {
    auto* const longer = curl_slist_append(list.get(), line.c_str());
    if (longer == nullptr) {
        throw std::bad_alloc{};
    }
    static_cast<void>(list.release());
    list.reset(longer);
}

CurlHandle new_transfer(std::optional<std::filesystem::path> const& ca_file, std::atomic<bool> const& stop,
                        char* error) {
    static auto const started = curl_global_init(CURL_GLOBAL_DEFAULT);
    CurlHandle curl{curl_easy_init()};
    if (started != CURLE_OK || curl == nullptr) {
        throw std::runtime_error{"libcurl cannot start"};
    }
    auto* const c = curl.get();
    curl_easy_setopt(c, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(c, CURLOPT_ERRORBUFFER, error);
    curl_easy_setopt(c, CURLOPT_CONNECTTIMEOUT_MS, connect_ms);
    curl_easy_setopt(c, CURLOPT_TIMEOUT_MS, whole_ms);
    curl_easy_setopt(c, CURLOPT_WRITEFUNCTION, &drop);
    curl_easy_setopt(c, CURLOPT_PROXY, "");  // what the environment names is not what the operator configured
    curl_easy_setopt(c, CURLOPT_NOPROGRESS, 0L);
    curl_easy_setopt(c, CURLOPT_XFERINFOFUNCTION, &stopped);
    curl_easy_setopt(c, CURLOPT_XFERINFODATA, const_cast<std::atomic<bool>*>(&stop));
    if (ca_file) {
        curl_easy_setopt(c, CURLOPT_CAINFO, ca_file->c_str());
    }
    return curl;
}

}  // namespace probekeeper::notify
