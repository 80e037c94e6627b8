// A message as an HTTP POST of its JSON document, signed.
//
// Fields: Content-Type application/json, Notice-Id (the id for de-duplication), Content-Digest,
// Signature-Input and Signature (label "sig"), which cover "@method", "@target-uri", "content-type",
// "content-digest" and "notice-id". Any 2xx means taken. 408, 429 and 5xx, and whatever keeps an answer from
// coming, are a receiver that is not there; the rest refuses this message. Redirects are not followed: they
// count as refusals.
#pragma once

#include <atomic>

#include "fleet/notice.h"
#include "notify/transport.h"

namespace probekeeper::notify {

class Webhook final : public Transport {
public:
    // Reads the key: throws std::runtime_error where it cannot be.
    explicit Webhook(fleet::NoticeSettings settings);
    [[nodiscard]] Sent send(store::Notice const& notice, Timestamp now) override;
    void interrupt() override { stop_ = true; }

private:
    fleet::NoticeSettings settings_;
    std::string key_;
    std::atomic<bool> stop_{false};
};

}  // namespace probekeeper::notify
