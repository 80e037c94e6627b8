#include "notify/signature.h"

#include <openssl/evp.h>
#include <openssl/hmac.h>
#include <spdlog/fmt/fmt.h>

#include <array>
#include <stdexcept>

namespace probekeeper::notify {
namespace {

unsigned char const* bytes_of(std::string_view text) {
    return reinterpret_cast<unsigned char const*>(text.data());
}

std::string_view text_of(std::array<unsigned char, EVP_MAX_MD_SIZE> const& bytes, unsigned size) {
    return {reinterpret_cast<char const*>(bytes.data()), size};
}

}  // namespace

std::string base64(std::string_view bytes) {
    std::string out((bytes.size() + 2) / 3 * 4 + 1, '\0');  // OpenSSL ends it with a zero
    auto const size = EVP_EncodeBlock(reinterpret_cast<unsigned char*>(out.data()), bytes_of(bytes),
                                      static_cast<int>(bytes.size()));
    out.resize(static_cast<std::size_t>(size));
    return out;
}

std::string content_digest(std::string_view body) {
    std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
    unsigned size = 0;
    if (EVP_Digest(body.data(), body.size(), digest.data(), &size, EVP_sha256(), nullptr) != 1) {
        throw std::runtime_error{"SHA-256 failed"};
    }
    return fmt::format("sha-256=:{}:", base64(text_of(digest, size)));
}

std::string signature_params(std::vector<Component> const& covered, std::int64_t created_unix_s,
                             std::string_view key_id) {
    std::string names;
    for (auto const& component : covered) {
        names += fmt::format("{}\"{}\"", names.empty() ? "" : " ", component.name);
    }
    return fmt::format("({});created={};keyid=\"{}\"", names, created_unix_s, key_id);
}

std::string signature_base(std::vector<Component> const& covered, std::string_view params) {
    std::string base;
    for (auto const& component : covered) {
        base += fmt::format("\"{}\": {}\n", component.name, component.value);
    }
    return base + fmt::format("\"@signature-params\": {}", params);
}

std::string sign(std::string_view key, std::string_view base) {
    std::array<unsigned char, EVP_MAX_MD_SIZE> mac{};
    unsigned size = 0;
    if (HMAC(EVP_sha256(), key.data(), static_cast<int>(key.size()), bytes_of(base), base.size(), mac.data(),
             &size) == nullptr) {
        throw std::runtime_error{"HMAC-SHA-256 failed"};
    }
    return base64(text_of(mac, size));
}

}  // namespace probekeeper::notify
