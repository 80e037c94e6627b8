// Entity tags: a GET that found nothing new costs the client no body.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

namespace probekeeper::api {

// 64-bit FNV-1a (Fowler, Noll, Vo; offset basis and prime from draft-eastlake-fnv) as 16 hex digits: the same
// on every machine and after every restart, which std::hash does not promise. It guards against accident, not
// malice: nobody gains by two bodies of the daemon's own with one tag.
[[nodiscard]] std::string content_hash(std::string_view text);

// The same of a text that comes in pieces.
class ContentHash {
public:
    void add(std::string_view piece);
    [[nodiscard]] std::string text() const;

private:
    std::uint64_t hash_ = 14695981039346656037ULL;
};

// A strong entity tag, quotes included.
[[nodiscard]] std::string etag_of(std::string_view body);

// The tag of the same body when it is sent compressed: another representation, so another tag.
[[nodiscard]] std::string packed_tag(std::string_view etag);

// And back.
[[nodiscard]] std::string plain_tag(std::string_view packed);

// Whether an If-None-Match value (a list, weak tags too, or *) names `etag` (RFC 9110 section 13.1.2).
[[nodiscard]] bool names_etag(std::string_view if_none_match, std::string_view etag);

}  // namespace probekeeper::api
