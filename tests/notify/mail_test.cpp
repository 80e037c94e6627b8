#include "notify/mail.h"

#include <catch2/catch.hpp>

namespace probekeeper::notify {
namespace {

auto const at = parse_rfc3339("2026-03-01T06:00:00Z").value();

fleet::NoticeSettings settings() {
    fleet::NoticeSettings out;
    out.id = "duty";
    out.from = "probes@farm.example";
    out.to = {"a@farm.example", "b@farm.example"};
    return out;
}

std::string mail_of(std::string subject, std::string text = "one\n") {
    store::Notice notice;
    notice.id = "duty/farm-1/0";
    notice.subject = std::move(subject);
    notice.text = std::move(text);
    return mail_text(settings(), notice, at);
}

std::string header_of(std::string const& mail) {
    return mail.substr(0, mail.find("\r\n\r\n"));
}

TEST_CASE("a mail has its date, receivers, subject and an id that comes from the message's",
          "[notify][mail]") {
    auto const mail = mail_of("tank-1: open");
    for (auto const* line : {"Date: Sun, 01 Mar 2026 06:00:00 +0000\r\n", "From: <probes@farm.example>\r\n",
                             "To: <a@farm.example>,\r\n <b@farm.example>\r\n", "Subject: tank-1: open\r\n",
                             "Message-ID: <nduty.farm-1.0n@farm.example>\r\n", "\r\n\r\nb25lCg==\r\n"}) {
        CAPTURE(line);
        CHECK(mail.find(line) != std::string::npos);
    }
}

TEST_CASE("nothing in a message becomes a header or ends one", "[notify][mail]") {
    for (auto const* evil : {"x\r\nBcc: evil@example.com", "x\nBcc: evil@example.com",
                             "x\rBcc: evil@example.com", "\r\n\r\nbody", "=?UTF-8?Q?=0D=0ABcc:?="}) {
        CAPTURE(evil);
        auto const header = header_of(mail_of(evil, "\r\n.\r\nQUIT\r\n"));
        CHECK(header.find("Bcc") == std::string::npos);
        CHECK(header.find("Subject: =?UTF-8?B?") != std::string::npos);
        CHECK(header.ends_with("Content-Transfer-Encoding: base64"));
    }
    CHECK(mail_of("x", "\r\n.\r\nQUIT\r\n").find("\r\n.\r\n") == std::string::npos);
}

TEST_CASE("a long subject in another script stays whole and within the lengths of RFC 2047",
          "[notify][mail]") {
    std::string subject;
    for (int i = 0; i < 60; ++i) {
        subject += "\xc3\xb8";
    }
    auto const header = header_of(mail_of(subject));
    auto from = header.find("Subject: ") + 9;
    std::size_t words = 0;
    for (auto until = header.find("\r\n", from); header.compare(from, 10, "=?UTF-8?B?") == 0;
         from = until + 3, until = header.find("\r\n", from), ++words) {
        CHECK(until - from <= 75);
        CHECK(header.substr(until - 2, 2) == "?=");
        // Whole characters of two bytes each: every word but the last is of 42 bytes, 56 letters of Base64.
        CHECK((until - from - 12) % 4 == 0);
    }
    CHECK(words == 3);
}

}  // namespace
}  // namespace probekeeper::notify
