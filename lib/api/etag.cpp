#include "api/etag.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"

namespace probekeeper::api {

void ContentHash::add(std::string_view piece) {
    for (char const c : piece) {
        hash_ = (hash_ ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
    }
}

std::string ContentHash::text() const {
    return fmt::format("{:016x}", hash_);
}

std::string content_hash(std::string_view text) {
    ContentHash hash;
    hash.add(text);
    return hash.text();
}

std::string etag_of(std::string_view body) {
    return '"' + content_hash(body) + '"';
}

std::string packed_tag(std::string_view etag) {
    return std::string{etag.substr(0, etag.size() - 1)} + "-gzip\"";
}

std::string plain_tag(std::string_view packed) {
    return std::string{packed.substr(0, packed.size() - std::string_view{"-gzip\""}.size())} + '"';
}

bool names_etag(std::string_view if_none_match, std::string_view etag) {
    // Our tags have no comma in them, so a split at commas finds each of ours whole.
    while (!if_none_match.empty()) {
        auto const end = std::min(if_none_match.find(','), if_none_match.size());
        auto one = trimmed(if_none_match.substr(0, end));
        if (one == "*") {
            return true;
        }
        if (one.substr(0, 2) == "W/") {
            one.remove_prefix(2);
        }
        if (one == etag) {
            return true;
        }
        if_none_match.remove_prefix(std::min(end + 1, if_none_match.size()));
    }
    return false;
}

}  // namespace probekeeper::api
