#include "access/secret.h"

#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/rand.h>

#include <array>
#include <stdexcept>

namespace probekeeper::access {

std::string new_secret(std::string_view prefix) {
    constexpr std::string_view digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    std::array<unsigned char, 32> random{};
    if (RAND_bytes(random.data(), static_cast<int>(random.size())) != 1) {
        throw std::runtime_error{"the system gives no random numbers"};
    }
    std::string out{prefix};
    unsigned bits = 0;
    int have = 0;
    for (auto const byte : random) {
        bits = (bits << 8U) | byte;
        have += 8;
        while (have >= 6) {
            have -= 6;
            out += digits[(bits >> static_cast<unsigned>(have)) & 63U];
        }
    }
    out += digits[(bits << static_cast<unsigned>(6 - have)) & 63U];
    OPENSSL_cleanse(random.data(), random.size());
    return out;
}

std::string hash_of(std::string_view secret) {
    constexpr std::string_view hex = "0123456789abcdef";
    std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
    unsigned size = 0;
    if (EVP_Digest(secret.data(), secret.size(), digest.data(), &size, EVP_sha256(), nullptr) != 1) {
        throw std::runtime_error{"SHA-256 is not to be had from OpenSSL"};
    }
    std::string out;
    for (unsigned i = 0; i < size; ++i) {
        out += hex[digest[i] >> 4U];
        out += hex[digest[i] & 15U];
    }
    return out;
}

bool same_hash(std::string_view a, std::string_view b) {
    return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0;
}

}  // namespace probekeeper::access
