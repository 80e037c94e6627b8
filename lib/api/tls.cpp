#include <openssl/ssl.h>
#include <spdlog/fmt/fmt.h>

#include <stdexcept>

#include "api/stream.h"

namespace probekeeper::api {

std::shared_ptr<Tls> load_tls(std::filesystem::path const& certificate, std::filesystem::path const& key) {
    using net::ssl::context;
    context made{context::tls_server};
    made.set_options(context::default_workarounds | context::no_sslv2 | context::no_sslv3 |
                     context::no_tlsv1 | context::no_tlsv1_1 | SSL_OP_NO_RENEGOTIATION |
                     SSL_OP_CIPHER_SERVER_PREFERENCE);
    boost::system::error_code error;
    made.use_certificate_chain_file(certificate.string(), error);
    if (error) {
        throw std::runtime_error{
            fmt::format("{} is no certificate in PEM: {}", certificate.string(), error.message())};
    }
    made.use_private_key_file(key.string(), context::pem, error);
    if (error || SSL_CTX_check_private_key(made.native_handle()) != 1) {
        throw std::runtime_error{fmt::format("{} is no key in PEM, without passphrase, of {}", key.string(),
                                             certificate.string())};
    }
    return std::make_shared<Tls>(std::move(made));
}

}  // namespace probekeeper::api
