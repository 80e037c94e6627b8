// A message as an e-mail, by SMTP.
//
// smtps:// is TLS from the first byte; smtp:// begins plain and must go on by STARTTLS, unless the server is
// this machine itself and no `ca_file` is named. Where the server refuses one of several addresses for good,
// the others are told all the same. Message-ID comes from the message's id, so that a mail that was sent
// twice can be told. Nothing of a message can become a header or a line of the protocol: subjects are encoded
// where they hold anything but printable ASCII (RFC 2047), bodies always (Base64), and addresses come from
// the configuration, which allows only plain ones.
#pragma once

#include <atomic>

#include "fleet/notice.h"
#include "notify/transport.h"

namespace probekeeper::notify {

class Mail final : public Transport {
public:
    // Reads the password: throws std::runtime_error where it cannot be.
    explicit Mail(fleet::NoticeSettings settings);
    [[nodiscard]] Sent send(store::Notice const& notice, Timestamp now) override;
    void interrupt() override { stop_ = true; }

private:
    [[nodiscard]] Sent send(std::string const& text, bool each_must_be_taken);

    fleet::NoticeSettings settings_;
    std::string password_;
    std::atomic<bool> stop_{false};
};

// The whole message, RFC 5322, lines ended by CR LF. Pure.
[[nodiscard]] std::string mail_text(fleet::NoticeSettings const& settings, store::Notice const& notice,
                                    Timestamp now);

}  // namespace probekeeper::notify
