// Who is told of what, when, and by which way: the [[notice]] tables.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace probekeeper::fleet {

enum class Way : std::uint8_t { webhook, mail, mqtt };
enum class MqttVersion : std::uint8_t { v3_1_1, v5 };

// Of a day, on the site's clock. Over midnight where `from` is later than `until`.
struct Hours {
    std::chrono::minutes from{0}, until{0};  // since 00:00
};

struct NoticeSettings {
    std::string id;
    Way way = Way::webhook;
    // Empty: all. Sites by id, reasons and urgencies by their words.
    std::vector<std::string> sites, reasons, urgencies, uses;
    std::optional<Hours> quiet;  // what can wait, waits until they end
    std::optional<std::chrono::minutes>
        digest_at;  // what can wait comes once a day, at this time of the site

    std::string address;  // webhook: URL; mail: smtp(s)://HOST:PORT; mqtt: mqtt(s)://HOST:PORT
    std::optional<std::filesystem::path> ca_file;  // whom to trust, instead of the system's certificates
    // webhook
    std::filesystem::path key_file;  // the shared secret of the signature
    std::string key_id;
    // mail and mqtt
    std::string user;
    std::optional<std::filesystem::path> password_file;
    // mail
    std::string from;
    std::vector<std::string> to;
    // mqtt
    MqttVersion mqtt_version = MqttVersion::v3_1_1;
    std::string topic = "probekeeper";
};

}  // namespace probekeeper::fleet
