#include "live/http_options.h"

#include <spdlog/fmt/fmt.h>

#include <stdexcept>

namespace probekeeper::live {

api::AccessRules rules_of(fleet::HttpSettings const& settings) {
    api::AccessRules rules;
    rules.allow_origins = settings.allow_origins;
    rules.host_names = settings.host_names;
    rules.behind_proxy = settings.behind_proxy;
    rules.tokens_needed = settings.tokens_file.has_value();
    if (settings.tokens_file) {
        auto read = access::read_tokens(*settings.tokens_file);
        if (!read.problems.empty()) {
            throw std::runtime_error{fmt::format("{}:{}: {}", settings.tokens_file->string(),
                                                 read.problems.front().line, read.problems.front().message)};
        }
        rules.tokens = std::move(read.tokens);
    }
    return rules;
}

std::shared_ptr<api::Tls> tls_of(fleet::HttpSettings const& settings) {
    return settings.tls_certificate_file && settings.tls_key_file
               ? api::load_tls(*settings.tls_certificate_file, *settings.tls_key_file)
               : nullptr;
}

api::Options http_options(fleet::HttpSettings const& settings) {
    api::Options options;
    options.address = settings.address;
    options.port = settings.port;
    options.access = rules_of(settings);
    options.tls = tls_of(settings);
    return options;
}

}  // namespace probekeeper::live
