#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"
#include "diagnosis/verdict.h"
#include "fleet/listen.h"
#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

using std::chrono::minutes;

constexpr std::pair<std::string_view, Way> ways[] = {
    {"webhook", Way::webhook}, {"mail", Way::mail}, {"mqtt", Way::mqtt}};
constexpr std::pair<std::string_view, MqttVersion> versions[] = {{"3.1.1", MqttVersion::v3_1_1},
                                                                 {"5", MqttVersion::v5}};
constexpr std::string_view urgencies[] = {"now", "this_week", "next_visit"};
constexpr std::string_view uses[] = {"control", "alarm", "monitor"};

// "HH:MM" of a day of 24 hours.
std::optional<minutes> time_of_day(std::string_view text) {
    auto const colon = text.find(':');
    if (text.size() != 5 || colon != 2) {
        return std::nullopt;
    }
    auto const hour = parse_integer(text.substr(0, 2)), minute = parse_integer(text.substr(3));
    if (!hour || !minute || *hour < 0 || *hour > 23 || *minute < 0 || *minute > 59) {
        return std::nullopt;
    }
    return minutes{*hour * 60 + *minute};
}

std::optional<Hours> read_hours(Section& section) {
    auto const written = section.text("quiet_hours");
    if (!written) {
        return std::nullopt;
    }
    auto const dash = written->find('-');
    auto const from = time_of_day(std::string_view{*written}.substr(0, dash));
    auto const until = dash == std::string::npos ? std::nullopt : time_of_day(written->substr(dash + 1));
    if (!from || !until || *from == *until) {
        section.wrong(
            "quiet_hours",
            fmt::format("`quiet_hours` is \"{}\", should be two times of a day such as \"22:00-06:30\"",
                        *written));
        return std::nullopt;
    }
    return Hours{*from, *until};
}

std::optional<minutes> read_digest(Section& section) {
    auto const written = section.text("digest_at");
    auto const at = written ? time_of_day(*written) : std::nullopt;
    if (written && !at) {
        section.wrong(
            "digest_at",
            fmt::format("`digest_at` is \"{}\", should be a time of day such as \"07:00\"", *written));
    }
    return at;
}

template <typename Words>
std::vector<std::string> read_words(Section& section, std::string_view key, Words const& known) {
    std::vector<std::string> words;
    for (auto& text : section.texts(key)) {
        if (std::find(std::begin(known), std::end(known), text.value) == std::end(known)) {
            auto const nearest = nearest_word(std::string_view{text.value}.substr(0, 64), known);
            section.wrong(
                key, fmt::format("\"{}\" in `{}` is none of {}{}", text.value, key, fmt::join(known, ", "),
                                 nearest ? fmt::format("; did you mean \"{}\"?", *nearest) : ""));
        }
        words.push_back(std::move(text.value));
    }
    return words;
}

std::vector<std::string_view> reason_words() {
    std::vector<std::string_view> words;
    for (std::size_t i = 0; i < diagnosis::reason_count; ++i) {
        words.push_back(diagnosis::to_word(static_cast<diagnosis::Reason>(i)));
    }
    return words;
}

// Text that cannot end a line of a message, or a command: what could is refused here once and for all.
bool is_plain(std::string_view text) {
    return !text.empty() &&
           std::all_of(text.begin(), text.end(), [](char c) { return c > ' ' && c < '\x7f'; });
}

// SCHEME://HOST[:PORT] and, where `with_path`, what follows. No user and password: they would be shown.
void read_address(Section& section, std::string_view key, std::initializer_list<std::string_view> schemes,
                  bool with_path, NoticeSettings& notice) {
    auto const written = section.text(key);
    if (!written) {
        return;
    }
    auto const scheme = std::find_if(schemes.begin(), schemes.end(),
                                     [&](std::string_view s) { return written->starts_with(s); });
    auto const rest =
        scheme == schemes.end() ? std::string_view{} : std::string_view{*written}.substr(scheme->size());
    auto const host = rest.substr(0, rest.find_first_of("/?"));
    bool const right = is_plain(rest) && !host.empty() &&
                       host.find_first_of("@?#") == std::string_view::npos &&
                       rest.find('#') == std::string_view::npos && (with_path || host == rest);
    if (!right) {
        section.wrong(key, fmt::format("`{}` should be {}HOST:PORT{}, without user and password", key,
                                       fmt::join(schemes, "HOST:PORT or "), with_path ? "/PATH" : ""));
        return;
    }
    // The path "/" is what is asked for then, and what a signature covers.
    notice.address = *written + (with_path && host == rest ? "/" : "");
}

// name@host, of letters, digits and a few marks: RFC 5321's quoted forms are not worth their traps.
bool is_mail_address(std::string_view text) {
    auto const at = text.find('@');
    auto const fit = [](std::string_view part, std::string_view more) {
        return !part.empty() && std::all_of(part.begin(), part.end(), [&](char c) {
            return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                   more.find(c) != std::string_view::npos;
        });
    };
    return at != std::string_view::npos && text.size() <= 254 && fit(text.substr(0, at), "._-+") &&
           fit(text.substr(at + 1), ".-");
}

void check_mail_address(Section& section, std::string_view key, std::string const& text) {
    if (!is_mail_address(text)) {
        section.wrong(
            key, fmt::format("\"{}\" in `{}` should be an address such as \"duty@farm.example\"", text, key));
    }
}

void read_webhook(Section& section, NoticeSettings& notice) {
    read_address(section, "url", {"https://", "http://"}, /*with_path=*/true, notice);
    notice.key_file = read_file_name(section, "key_file", /*secret=*/true).value_or("");
    notice.key_id = section.text("key_id").value_or(notice.id);
    if (!is_plain(notice.key_id) || notice.key_id.find_first_of("\"\\") != std::string::npos) {
        section.wrong("key_id", "`key_id` should be letters, digits and marks without blanks and quotes");
    }
    section.need({"url", "key_file"});
}

void read_login(Section& section, NoticeSettings& notice) {
    notice.user = section.text("user").value_or("");
    notice.password_file = read_file_name(section, "password_file", /*secret=*/true);
    if (section.has("user") != section.has("password_file")) {
        section.need({"user", "password_file"});
    }
}

// Beyond this machine nobody between may read or change what is sent.
void check_secure(Section& section, NoticeSettings const& notice, std::string_view open,
                  std::string_view secure) {
    if (notice.address.starts_with(open)) {
        auto const host = notice.address.substr(open.size());
        if (!is_loopback(host.substr(0, host.rfind(':')))) {
            section.wrong("server", fmt::format("`server` lies beyond loopback: there it needs {}", secure));
        }
    }
}

void read_mail(Section& section, NoticeSettings& notice) {
    // smtp:// begins plain and must go on by STARTTLS; only to this machine itself may it stay plain.
    read_address(section, "server", {"smtps://", "smtp://"}, /*with_path=*/false, notice);
    read_login(section, notice);
    notice.from = section.text("from").value_or("");
    if (section.has("from")) {
        check_mail_address(section, "from", notice.from);
    }
    for (auto& to : section.texts("to")) {
        check_mail_address(section, "to", to.value);
        notice.to.push_back(std::move(to.value));
    }
    section.need({"server", "from", "to"});
}

void read_mqtt(Section& section, NoticeSettings& notice) {
    read_address(section, "server", {"mqtts://", "mqtt://"}, /*with_path=*/false, notice);
    check_secure(section, notice, "mqtt://", "mqtts://");
    read_login(section, notice);
    notice.mqtt_version = section.word<MqttVersion>("version", versions).value_or(MqttVersion::v3_1_1);
    notice.topic = section.text("topic").value_or(notice.topic);
    if (!is_plain(notice.topic) || notice.topic.find_first_of("+#$") != std::string::npos ||
        notice.topic.ends_with('/')) {
        section.wrong("topic", "`topic` should be a topic without wildcards such as \"plant/probekeeper\"");
    }
    section.need({"server"});
}

}  // namespace

WrittenNotice read_notice(Section& section) {
    WrittenNotice written;
    written.where = section.where();
    written.id = section.id("id");
    auto& notice = written.notice;
    notice.id = written.id ? written.id->value : "";
    auto const way = section.word<Way>("by", ways);
    written.sites = section.texts("sites");
    notice.reasons = read_words(section, "reasons", reason_words());
    notice.urgencies = read_words(section, "urgencies", urgencies);
    notice.uses = read_words(section, "uses", uses);
    notice.quiet = read_hours(section);
    notice.digest_at = read_digest(section);
    notice.ca_file = read_file_name(section, "ca_file", /*secret=*/false);
    section.need({"id", "by"});
    if (!way) {
        return written;  // which keys belong here cannot be told
    }
    notice.way = *way;
    switch (*way) {
        case Way::webhook:
            read_webhook(section, notice);
            break;
        case Way::mail:
            read_mail(section, notice);
            break;
        case Way::mqtt:
            read_mqtt(section, notice);
            break;
    }
    section.finish();
    return written;
}

}  // namespace probekeeper::fleet
