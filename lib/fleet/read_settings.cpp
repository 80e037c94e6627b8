#include <spdlog/fmt/fmt.h>

#include "access/tokens.h"
#include "fleet/listen.h"
#include "fleet/written.h"
#include "postgres/destination.h"

namespace probekeeper::fleet {
namespace {

namespace fs = std::filesystem;

std::optional<Listen> read_listen(Section& section) {
    auto const written = section.text("listen");
    if (!written) {
        return std::nullopt;
    }
    auto listen = parse_listen(*written);
    if (!listen) {
        section.wrong(
            "listen",
            fmt::format("`listen` is \"{}\", should be ADDRESS:PORT, numeric, such as \"127.0.0.1:8080\"",
                        *written));
    }
    return listen;
}

// Who can reach the server from another machine must have a token, and nobody between may read it.
void check_reach(Section& section, HttpSettings const& http) {
    bool const secure = http.tls_certificate_file && http.tls_key_file;
    if (is_loopback(http.address) || (http.tokens_file && (secure || http.behind_proxy))) {
        return;
    }
    section.wrong(
        "listen",
        fmt::format("`listen` names {}, which lies beyond loopback: there it needs {}", http.address,
                    !http.tokens_file ? "`tokens_file` (see `probekeeperd token add`), and TLS by "
                                        "`tls_certificate_file` and `tls_key_file` or a proxy "
                                        "that does it (`behind_proxy = true`)"
                                      : "TLS by `tls_certificate_file` and `tls_key_file`, or a "
                                        "proxy that does it (`behind_proxy = true`)"));
}

// RFC 6454: scheme, host and port, and nothing behind.
bool is_origin(std::string_view text) {
    for (std::string_view const scheme : {"https://", "http://"}) {
        if (text.starts_with(scheme)) {
            auto const rest = text.substr(scheme.size());
            return !rest.empty() && rest.find_first_of("/?# *") == std::string_view::npos;
        }
    }
    return false;
}

}  // namespace

std::optional<fs::path> read_file_name(Section& section, std::string_view key, bool secret) {
    auto file = section.path(key);
    if (!file) {
        return std::nullopt;
    }
    std::error_code error;
    auto const status = fs::status(*file, error);
    constexpr auto others = fs::perms::group_all | fs::perms::others_all;
    if (!fs::is_regular_file(status)) {
        section.wrong(key, fmt::format("`{}` names {}, which is no file{}", key, file->string(),
                                       key == "tokens_file" ? "; `probekeeperd token add` makes it" : ""));
    } else if (secret && (status.permissions() & others) != fs::perms::none) {
        section.wrong(key,
                      fmt::format("`{}` names {}, which holds a secret and should be readable by its owner "
                                  "alone (chmod 600)",
                                  key, file->string()));
    }
    return file;
}

void read_store(Section& section, StoreSettings& store) {
    constexpr double most_days = 36'500.0;
    if (auto path = section.path("path")) {
        store.path = std::move(*path);
    }
    store.keep_raw_days = section.number("keep_raw_days", 1.0, most_days).value_or(store.keep_raw_days);
    store.keep_summary_days =
        section.number("keep_summary_days", 1.0, most_days).value_or(store.keep_summary_days);
    section.finish();
}

HttpSettings read_http(Section& section) {
    HttpSettings http;
    if (auto listen = read_listen(section)) {
        http.address = std::move(listen->host);
        http.port = listen->port;
    }
    http.tokens_file = read_file_name(section, "tokens_file", /*secret=*/true);
    http.tls_certificate_file = read_file_name(section, "tls_certificate_file", /*secret=*/false);
    http.tls_key_file = read_file_name(section, "tls_key_file", /*secret=*/true);
    if (section.has("tls_certificate_file") != section.has("tls_key_file")) {
        section.need({"tls_certificate_file", "tls_key_file"});
    }
    http.behind_proxy = section.boolean("behind_proxy").value_or(false);
    check_reach(section, http);
    if (http.tokens_file) {
        for (auto& problem : access::read_tokens(*http.tokens_file).problems) {
            if (problem.line > 0) {  // a file that cannot be read has been told already
                section.wrong_in(*http.tokens_file, problem.line, std::move(problem.message));
            }
        }
    }
    for (auto& name : section.texts("host_names")) {
        if (name.value.empty() || name.value.find_first_of(":/?# *[]") != std::string::npos) {
            section.wrong("host_names", fmt::format("\"{}\" in `host_names` should be a name such as "
                                                    "\"probes.example\", without port",
                                                    name.value));
        }
        http.host_names.push_back(std::move(name.value));
    }
    for (auto& origin : section.texts("allow_origins")) {
        if (!is_origin(origin.value)) {
            section.wrong("allow_origins",
                          fmt::format("\"{}\" in `allow_origins` should be an origin such as "
                                      "\"https://scada.example\", without path",
                                      origin.value));
        }
        http.allow_origins.push_back(std::move(origin.value));
    }
    section.finish();
    return http;
}

ScadaSettings read_scada(Section& section) {
    ScadaSettings scada;
    for (auto& network : section.texts("allow_from")) {
        if (!is_network(network.value)) {
            section.wrong("allow_from", fmt::format("\"{}\" in `allow_from` should be a network such as "
                                                    "\"10.1.0.0/16\" or an address",
                                                    network.value));
        }
        scada.allow_from.push_back(std::move(network.value));
    }
    if (auto listen = read_listen(section)) {
        if (!is_loopback(listen->host) && scada.allow_from.empty()) {
            section.wrong("listen",
                          fmt::format("`listen` names {}, which lies beyond loopback: [scada] needs "
                                      "`allow_from`, the networks that may connect",
                                      listen->host));
        }
        scada.address = std::move(listen->host);
        scada.port = listen->port;
    }
    scada.allow_seen = section.boolean("allow_seen").value_or(false);
    section.need({"listen"});
    section.finish();
    return scada;
}

HubSettings read_hub(Section& section) {
    constexpr std::pair<std::string_view, bool> tls_words[] = {{"required", false}, {"off", true}};
    HubSettings hub;
    hub.postgresql = section.text("postgresql").value_or("");
    hub.password_file = read_file_name(section, "password_file", /*secret=*/true);
    hub.kilobits_per_s = section.number("kilobits_per_s", 1.0, 1e6).value_or(hub.kilobits_per_s);
    hub.tls_off = section.word<bool>("tls", tls_words).value_or(false);
    if (section.has("postgresql")) {
        auto const to = postgres::destination_of(hub.postgresql);
        auto const problem = to ? postgres::problem_of(*to, hub.tls_off) : std::optional{to.error().message};
        if (problem) {
            section.wrong("postgresql", fmt::format("`postgresql` {}", *problem));
        }
    }
    section.need({"postgresql"});
    section.finish();
    return hub;
}

}  // namespace probekeeper::fleet
