#include "daemon/log.h"

#include <spdlog/pattern_formatter.h>
#include <spdlog/sinks/stdout_sinks.h>

namespace probekeeper::daemon {

Log make_log(bool verbose) {
    auto log =
        std::make_shared<spdlog::logger>("probekeeperd", std::make_shared<spdlog::sinks::stderr_sink_mt>());
    log->set_formatter(std::make_unique<spdlog::pattern_formatter>("%Y-%m-%dT%H:%M:%S.%eZ %l %v",
                                                                   spdlog::pattern_time_type::utc));
    log->set_level(verbose ? spdlog::level::debug : spdlog::level::info);
    log->flush_on(spdlog::level::info);
    return log;
}

}  // namespace probekeeper::daemon
