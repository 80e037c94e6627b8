// Messages and conditions by MQTT 3.1.1 or 5.
//
// Below `topic`: `status` ("online", or "offline": retained, and the last will), `condition/SITE/PROBE` (a
// JSON document, retained: who subscribes gets the newest at once) and `notice/SITE` (a message's JSON
// document, not retained). All with quality of service 1.
#pragma once

#include <spdlog/logger.h>

#include <memory>
#include <set>
#include <string>

#include "fleet/notice.h"
#include "notify/transport.h"

namespace probekeeper::notify {

class Mqtt final : public Transport {
public:
    // `probes` are those of today, each "SITE/PROBE": what the broker keeps of others is taken away.
    // Connects in the background and again whenever the connection is lost. Throws std::runtime_error where
    // the library or the password file fails.
    Mqtt(fleet::NoticeSettings settings, std::set<std::string> probes, std::shared_ptr<spdlog::logger> log);
    // Says "offline" where it can, and disconnects.
    ~Mqtt() override;

    // Waits until the broker has acknowledged it.
    [[nodiscard]] Sent send(store::Notice const& notice, Timestamp now) override;
    void interrupt() override;

    // The newest condition of a probe, from any thread and without waiting: published now, or when there is a
    // broker again. An older one that was not published yet is forgotten.
    void show_condition(std::string const& site, std::string const& probe, std::string document);

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::notify
