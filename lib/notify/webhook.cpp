#include "notify/webhook.h"

#include <spdlog/fmt/fmt.h>

#include <array>

#include "notify/curl.h"
#include "notify/secret.h"
#include "notify/signature.h"

namespace probekeeper::notify {
namespace {

constexpr std::string_view json_type = "application/json";

Sent outcome_of(CURLcode code, long status, char const* error) {
    using enum Sent::Outcome;
    if (code != CURLE_OK) {
        return {unreachable, error[0] != '\0' ? error : curl_easy_strerror(code)};
    }
    if (status >= 200 && status < 300) {
        return {taken, {}};
    }
    bool const absent = status == 408 || status == 429 || status >= 500;
    return {absent ? unreachable : refused, fmt::format("it answered {}", status)};
}

}  // namespace

Webhook::Webhook(fleet::NoticeSettings settings)
    : settings_{std::move(settings)}, key_{read_secret(settings_.key_file)} {}

Sent Webhook::send(store::Notice const& notice, Timestamp now) {
    std::vector<Component> const covered{{"@method", "POST"},
                                         {"@target-uri", settings_.address},
                                         {"content-type", std::string{json_type}},
                                         {"content-digest", content_digest(notice.document)},
                                         {"notice-id", notice.id}};
    auto const params = signature_params(covered, to_unix_ms(now) / 1000, settings_.key_id);
    CurlList fields;
    append(fields, fmt::format("Content-Type: {}", json_type));
    append(fields, fmt::format("Content-Digest: {}", covered[3].value));
    append(fields, fmt::format("Notice-Id: {}", notice.id));
    append(fields, fmt::format("Signature-Input: sig={}", params));
    append(fields, fmt::format("Signature: sig=:{}:", sign(key_, signature_base(covered, params))));
    append(fields, "Expect:");  // no asking first: messages are small
    append(fields, "User-Agent: probekeeperd");

    std::array<char, CURL_ERROR_SIZE> error{};
    auto const curl = new_transfer(settings_.ca_file, stop_, error.data());
    auto* const c = curl.get();
    curl_easy_setopt(c, CURLOPT_URL, settings_.address.c_str());
    curl_easy_setopt(c, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(c, CURLOPT_PATH_AS_IS, 1L);  // what is signed is what is asked for
    curl_easy_setopt(c, CURLOPT_FOLLOWLOCATION, 0L);
    curl_easy_setopt(c, CURLOPT_POSTFIELDSIZE_LARGE, static_cast<curl_off_t>(notice.document.size()));
    curl_easy_setopt(c, CURLOPT_POSTFIELDS, notice.document.c_str());
    curl_easy_setopt(c, CURLOPT_HTTPHEADER, fields.get());
    auto const code = curl_easy_perform(c);
    long status = 0;
    curl_easy_getinfo(c, CURLINFO_RESPONSE_CODE, &status);
    return outcome_of(code, status, error.data());
}

}  // namespace probekeeper::notify
