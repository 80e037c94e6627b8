#include "notify/signature.h"

#include <catch2/catch.hpp>

namespace probekeeper::notify {
namespace {

// RFC 9421, appendix B.1.5, as bytes: what its Base64 text stands for.
std::string decoded(std::string_view text) {
    std::string out;
    std::uint32_t bits = 0;
    int held = 0;
    constexpr std::string_view letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    for (char const c : text.substr(0, text.find('='))) {
        bits = bits << 6 | static_cast<std::uint32_t>(letters.find(c));
        held += 6;
        if (held >= 8) {
            held -= 8;
            out.push_back(static_cast<char>(bits >> held & 0xffU));
        }
    }
    return out;
}

TEST_CASE("a signature is that of RFC 9421's own example B.2.5", "[notify][signature]") {
    auto const key =
        decoded("uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==");
    std::vector<Component> const covered{{"date", "Tue, 20 Apr 2021 02:07:55 GMT"},
                                         {"@authority", "example.com"},
                                         {"content-type", "application/json"}};
    auto const params = signature_params(covered, 1'618'884'473, "test-shared-secret");
    CHECK(params == R"(("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret")");
    CHECK(signature_base(covered, params) ==
          "\"date\": Tue, 20 Apr 2021 02:07:55 GMT\n\"@authority\": example.com\n"
          "\"content-type\": application/json\n\"@signature-params\": " +
              params);
    CHECK(sign(key, signature_base(covered, params)) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=");
}

TEST_CASE("a digest of a body is that of RFC 9530's example", "[notify][signature]") {
    // Appendix D: the content {"hello": "world"} without a line end.
    CHECK(content_digest(R"({"hello": "world"})") ==
          "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:");
}

TEST_CASE("Base64 is that of RFC 4648's test vectors", "[notify][signature]") {
    CHECK(base64("").empty());
    CHECK(base64("f") == "Zg==");
    CHECK(base64("fo") == "Zm8=");
    CHECK(base64("foobar") == "Zm9vYmFy");
}

}  // namespace
}  // namespace probekeeper::notify
