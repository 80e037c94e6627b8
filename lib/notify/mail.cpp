#include "notify/mail.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <chrono>

#include "fleet/listen.h"
#include "notify/curl.h"
#include "notify/secret.h"
#include "notify/signature.h"

namespace probekeeper::notify {
namespace {

bool is_printable(std::string_view text) {
    return std::all_of(text.begin(), text.end(), [](char c) { return c >= ' ' && c < '\x7f'; });
}

// RFC 2047: words of at most 75 letters, each of whole UTF-8 characters, on lines of their own.
std::string encoded_header(std::string_view text) {
    constexpr std::size_t most_bytes = 42;
    std::string out;
    while (!text.empty()) {
        auto size = std::min(most_bytes, text.size());
        while (size > 0 && size < text.size() && (static_cast<unsigned char>(text[size]) & 0xc0U) == 0x80U) {
            --size;
        }
        size = size == 0 ? std::min(most_bytes, text.size()) : size;  // no UTF-8: anywhere will do
        out += fmt::format("{}=?UTF-8?B?{}?=", out.empty() ? "" : "\r\n ", base64(text.substr(0, size)));
        text.remove_prefix(size);
    }
    return out;
}

std::string subject_line(std::string_view subject) {
    constexpr std::size_t longest = 900;  // RFC 5322 allows lines of 998
    return is_printable(subject) && subject.size() <= longest && !subject.starts_with("=?")
               ? std::string{subject}
               : encoded_header(subject.substr(0, longest));
}

std::string wrapped_base64(std::string_view text) {
    auto const all = base64(text);
    std::string out;
    for (std::size_t at = 0; at < all.size(); at += 76) {
        out += all.substr(at, 76) + "\r\n";
    }
    return out;
}

// RFC 5322, 3.3, in UTC.
std::string mail_date(Timestamp t) {
    constexpr std::array days{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    constexpr std::array months{"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    auto const day = std::chrono::floor<std::chrono::days>(t);
    std::chrono::year_month_day const date{day};
    std::chrono::hh_mm_ss const time{std::chrono::floor<std::chrono::seconds>(t - day)};
    return fmt::format("{}, {:02} {} {:04} {:02}:{:02}:{:02} +0000",
                       days[std::chrono::weekday{day}.c_encoding()], static_cast<unsigned>(date.day()),
                       months[static_cast<unsigned>(date.month()) - 1], static_cast<int>(date.year()),
                       time.hours().count(), time.minutes().count(), time.seconds().count());
}

// What may stand left of the @ of a Message-ID: our ids, with dots for what may not.
std::string atom_of(std::string id) {
    std::replace_if(
        id.begin(), id.end(),
        [](char c) {
            return !((c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-');
        },
        '.');
    return "n" + id + "n";  // neither end may be a dot
}

// Gives libcurl the message piece by piece.
struct Upload {
    std::string_view left;
    static std::size_t read(char* to, std::size_t size, std::size_t count, void* self) {
        auto& left = static_cast<Upload*>(self)->left;
        auto const piece = left.substr(0, size * count);
        std::copy(piece.begin(), piece.end(), to);
        left.remove_prefix(piece.size());
        return piece.size();
    }
};

std::string_view host_of(std::string_view address) {
    auto const host = address.substr(address.find("://") + 3);
    return host.substr(0, host.rfind(':'));
}

Sent outcome_of(CURLcode code, long reply, char const* error) {
    using enum Sent::Outcome;
    if (code == CURLE_OK) {
        return {taken, {}};
    }
    std::string why = error[0] != '\0' ? error : curl_easy_strerror(code);
    // RFC 5321, 4.2.1: 5yz is a refusal for good. Of a login it is no judgement on the message.
    bool const message =
        code == CURLE_SEND_ERROR || code == CURLE_RECV_ERROR || code == CURLE_WEIRD_SERVER_REPLY;
    return {reply >= 500 && reply < 600 && message ? refused : unreachable, std::move(why)};
}

}  // namespace

std::string mail_text(fleet::NoticeSettings const& settings, store::Notice const& notice, Timestamp now) {
    std::string const domain = settings.from.substr(settings.from.find('@') + 1);
    std::string text;
    text += fmt::format("Date: {}\r\n", mail_date(now));
    text += fmt::format("From: <{}>\r\n", settings.from);
    text += fmt::format("To: <{}>\r\n", fmt::join(settings.to, ">,\r\n <"));
    text += fmt::format("Subject: {}\r\n", subject_line(notice.subject));
    text += fmt::format("Message-ID: <{}@{}>\r\n", atom_of(notice.id), domain);
    text += "Auto-Submitted: auto-generated\r\n";
    text +=
        "MIME-Version: 1.0\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: "
        "base64\r\n\r\n";
    return text + wrapped_base64(notice.text);
}

Mail::Mail(fleet::NoticeSettings settings)
    : settings_{std::move(settings)},
      password_{settings_.password_file ? read_secret(*settings_.password_file) : std::string{}} {}

Sent Mail::send(store::Notice const& notice, Timestamp now) {
    auto const text = mail_text(settings_, notice, now);
    auto sent = send(text, /*each_must_be_taken=*/true);
    if (sent.outcome == Sent::Outcome::refused && settings_.to.size() > 1) {
        // One address that is gone must not keep the others from being told.
        auto rest = send(text, /*each_must_be_taken=*/false);
        if (rest.outcome == Sent::Outcome::taken) {
            rest.why = "not for all addresses: " + sent.why;
        }
        return rest;
    }
    return sent;
}

Sent Mail::send(std::string const& text, bool each_must_be_taken) {
    CurlList to;
    for (auto const& address : settings_.to) {
        append(to, address);
    }
    Upload upload{text};
    std::array<char, CURL_ERROR_SIZE> error{};
    auto const curl = new_transfer(settings_.ca_file, stop_, error.data());
    auto* const c = curl.get();
    curl_easy_setopt(c, CURLOPT_URL, settings_.address.c_str());
    curl_easy_setopt(c, CURLOPT_PROTOCOLS_STR, "smtp,smtps");
    bool const here = fleet::is_loopback(std::string{host_of(settings_.address)}) && !settings_.ca_file;
    curl_easy_setopt(c, CURLOPT_USE_SSL, static_cast<long>(here ? CURLUSESSL_NONE : CURLUSESSL_ALL));
    if (!settings_.user.empty()) {
        curl_easy_setopt(c, CURLOPT_USERNAME, settings_.user.c_str());
        curl_easy_setopt(c, CURLOPT_PASSWORD, password_.c_str());
    }
    curl_easy_setopt(c, CURLOPT_MAIL_FROM, settings_.from.c_str());
    curl_easy_setopt(c, CURLOPT_MAIL_RCPT, to.get());
    curl_easy_setopt(c, CURLOPT_MAIL_RCPT_ALLLOWFAILS, each_must_be_taken ? 0L : 1L);
    curl_easy_setopt(c, CURLOPT_UPLOAD, 1L);
    curl_easy_setopt(c, CURLOPT_READFUNCTION, &Upload::read);
    curl_easy_setopt(c, CURLOPT_READDATA, &upload);
    auto const code = curl_easy_perform(c);
    long reply = 0;
    curl_easy_getinfo(c, CURLINFO_RESPONSE_CODE, &reply);
    return outcome_of(code, reply, error.data());
}

}  // namespace probekeeper::notify
