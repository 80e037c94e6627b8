#include "replay/replay.h"

#include <spdlog/fmt/fmt.h>

#include <chrono>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/progress_bar.h"
#include "daemon/verbs.h"

namespace probekeeper::daemon {
namespace {

void print(replay::Summary const& s, double took_s) {
    fmt::print("readings: {} rows, {} repeated, {} bad", s.rows, s.repeated, s.bad);
    if (s.first && s.last) {
        fmt::print("; {} to {}", to_rfc3339(*s.first), to_rfc3339(*s.last));
    }
    fmt::print("\nservice records: {}\n", s.records);
    fmt::print("response tests: {}, of them used: {}\n", s.response_tests, s.response_tests_used);
    fmt::print("tickets: {}, of them unfinished: {}\n", s.tickets, s.tickets_unfinished);
    for (auto const& [reason, count] : s.reasons) {
        fmt::print("  {}: {}\n", diagnosis::to_word(reason), count);
    }
    fmt::print("took {:.1f} s, {:.2f} million readings a second\n", took_s,
               static_cast<double>(s.rows) / 1e6 / std::max(took_s, 1e-3));
}

}  // namespace

int replay_recorded(std::filesystem::path const& config, replay::Request const& request, Log const& log) {
    auto const fleet = load_or_complain(config);
    if (!fleet) {
        return wrong;
    }
    auto const begun = std::chrono::steady_clock::now();
    try {
        replay::Summary summary;
        {
            ProgressBar bar;
            replay::Watcher const watcher{[&bar](replay::Progress const& p) { bar.show(p); },
                                          [](std::filesystem::path const& file, intake::BadRow const& row) {
                                              fmt::print(stderr, "{}:{}: {}\n", file.string(), row.line,
                                                         row.message);
                                          }};
            summary = replay::run(*fleet, request, watcher);
        }
        for (auto const& question : summary.questions) {
            fmt::print(stderr, "{}:{}: {}\n", request.service->string(), question.line, question.text);
        }
        print(summary, std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count());
        return done;
    } catch (replay::WrongUsage const& error) {
        fmt::print(stderr, "{}\n", error.what());
        return wrong;
    } catch (std::exception const& error) {
        log->error("event=replay_failed why=\"{}\"", error.what());
        return failed;
    }
}

}  // namespace probekeeper::daemon
