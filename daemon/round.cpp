// The week's round and its papers out of the store, beside a daemon that runs.
#include <spdlog/fmt/fmt.h>

#include <chrono>
#include <fstream>
#include <sstream>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"
#include "document/round.h"
#include "document/small_chart.h"
#include "document/write.h"
#include "live/round_source.h"
#include "rounds/keep.h"
#include "rounds/papers.h"
#include "store/reader.h"

namespace probekeeper::daemon {
namespace {

namespace fs = std::filesystem;

std::string chart_of(store::Reader& reader, std::string const& probe, Timestamp now) {
    auto const tests =
        reader.response_tests(probe, now - days(document::small_chart_days), {10'000, std::nullopt});
    return document::small_chart(tests.value().items, now);
}

bool write_file(fs::path const& file, std::string const& text) {
    std::ofstream out{file, std::ios::binary | std::ios::trunc};
    out << text;
    out.close();
    if (!out) {
        fmt::print(stderr, "{}: cannot be written\n", file.string());
        return false;
    }
    fmt::print("{}\n", file.string());
    return true;
}

rounds::Round searched(fleet::Fleet const& fleet, rounds::Asked const& asked, double limit_s) {
    rounds::SearchSettings settings;
    auto const end = std::chrono::steady_clock::now() +
                     std::chrono::milliseconds{static_cast<std::int64_t>(limit_s * 1000.0)};
    settings.go_on = [&](rounds::Progress const&) { return std::chrono::steady_clock::now() < end; };
    return rounds::plan_round(fleet, asked, settings);
}

// What stands in the folder from an earlier run; empty where nothing was published there.
std::optional<rounds::Round> published_in(fs::path const& file) {
    std::ifstream in{file, std::ios::binary};
    std::ostringstream text;
    text << in.rdbuf();
    auto round = document::round_of(text.str());
    return round && round->published_at ? round : std::nullopt;
}

}  // namespace

int round(fs::path const& config, RoundRequest const& request) {
    auto const fleet = load_or_complain(config);
    if (!fleet) {
        return wrong;
    }
    auto const week = zone::parse_week(request.week);
    auto const at = request.at ? parse_rfc3339(*request.at)
                               : std::optional{std::chrono::floor<Millis>(std::chrono::system_clock::now())};
    if (!week || !at) {
        fmt::print(stderr, "{}\n",
                   week ? "--at should be a time such as 2026-11-27T12:00:00Z"
                        : "--week should be a week of ISO 8601 such as 2026-W49");
        return wrong;
    }
    if (fleet->technicians.empty()) {
        fmt::print(stderr, "{}: a round needs a [[depot]] and a [[technician]]\n", config.string());
        return wrong;
    }
    auto opened = store::Reader::open(fleet->store.path);
    if (!opened) {
        fmt::print(stderr, "{}\n", opened.error().message);
        return failed;
    }
    auto& reader = *opened;
    auto lives = live::read_membrane_lives(reader, *fleet, *at);
    auto source = lives ? live::read_round_source(reader, *fleet, *week, *at, std::move(lives.value()))
                        : store::Result<live::RoundSource>{lives.error()};
    if (!source) {
        fmt::print(stderr, "{}\n", source.error().message);
        return failed;
    }
    auto const& asked = source.value().asked;
    auto const file = [&](char const* ending) { return request.to / (zone::to_text(*week) + ending); };
    // What the daemon published stands above what lies in the folder.
    auto told = std::move(source.value().told.published);
    if (told.empty()) {
        if (auto before = published_in(file(".json"))) {
            told.push_back(std::move(*before));
        }
    }
    bool const keep = !told.empty() && !request.replan && !source.value().told.replanned;
    auto made =
        keep ? rounds::keep_round(*fleet, asked, told.back()) : searched(*fleet, asked, request.limit_s);
    if (!keep && !told.empty()) {
        made.revision = told.back().revision + 1;
        made.moved = rounds::moved_between(told.back(), made);
        made.differs = true;
    }
    if (request.publish && (!made.published_at || made.differs)) {
        made.published_at = *at;
        made.revision = std::max(made.revision, 1);
        made.differs = false;
    }
    rounds::HtmlSettings html;
    html.chart = [&](std::string const& probe) { return chart_of(reader, probe, *at); };
    bool const written = write_file(file(".json"), document::write(document::to_json(made)) + "\n") &&
                         write_file(file(".html"), document::as_utf8(rounds::to_html(made, html))) &&
                         write_file(file(".ics"), rounds::to_ics(made, *at, told)) &&
                         write_file(file(".csv"), rounds::to_csv(made));
    return written ? done : failed;
}

}  // namespace probekeeper::daemon
