// The week's round and its papers out of the store, beside a daemon that runs.
#include <spdlog/fmt/fmt.h>

#include <chrono>
#include <fstream>
#include <sstream>

#include "chart/chart.h"
#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"
#include "document/round.h"
#include "document/write.h"
#include "rounds/keep.h"
#include "rounds/papers.h"
#include "store/reader.h"

namespace probekeeper::daemon {
namespace {

namespace fs = std::filesystem;

constexpr store::PageRequest all_at_once{10'000, std::nullopt};

std::vector<service::Ticket> unfinished(store::Reader& reader) {
    store::TicketFilter filter;
    filter.unfinished_only = true;
    std::vector<service::Ticket> tickets;
    auto request = all_at_once;
    do {
        auto page = reader.tickets(filter, request).value();
        tickets.insert(tickets.end(), std::make_move_iterator(page.items.begin()),
                       std::make_move_iterator(page.items.end()));
        request.after = page.next;
    } while (request.after);
    return tickets;
}

std::map<std::string, Timestamp> last_visits(store::Reader& reader, fleet::Fleet const& fleet) {
    std::map<std::string, Timestamp> last;
    for (auto const& site : fleet.sites) {
        for (auto const& kept : reader.site_records(site.id).value()) {
            if (!kept.voided_at) {
                auto const [at, is_new] = last.emplace(site.id, kept.record.time);
                at->second = std::max(at->second, kept.record.time);
            }
        }
    }
    return last;
}

// The response times of the last 90 days, which is what most visits are about.
std::string small_chart(store::Reader& reader, std::string const& probe, Timestamp now) {
    chart::Chart chart;
    chart.title = "T90 at 20 °C";
    chart.unit = "s";
    chart.from = now - days(90.0);
    chart.to = now;
    for (auto const& test : reader.response_tests(probe, chart.from, all_at_once).value().items) {
        (test.used ? chart.good_dots : chart.poor_dots).push_back({test.time, test.t90_20_s});
    }
    if (chart.good_dots.empty()) {
        return {};
    }
    return chart::to_svg(chart);
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
    rounds::Asked asked{*week, *at, unfinished(reader), last_visits(reader, *fleet), {}};
    auto const file = [&](char const* ending) { return request.to / (zone::to_text(*week) + ending); };
    auto const before = published_in(file(".json"));
    bool const keep = before && !request.replan;
    auto made = keep ? rounds::keep_round(*fleet, asked, *before) : searched(*fleet, asked, request.limit_s);
    if (!keep && before) {
        made.revision = before->revision + 1;
        made.moved = rounds::moved_between(*before, made);
    }
    if (request.publish && !made.published_at) {
        made.published_at = *at;
    }
    rounds::HtmlSettings html;
    html.chart = [&](std::string const& probe) { return small_chart(reader, probe, *at); };
    bool const written = write_file(file(".json"), document::write(document::to_json(made)) + "\n") &&
                         write_file(file(".html"), document::as_utf8(rounds::to_html(made, html))) &&
                         write_file(file(".ics"), rounds::to_ics(made, *at, before ? &*before : nullptr)) &&
                         write_file(file(".csv"), rounds::to_csv(made));
    return written ? done : failed;
}

}  // namespace probekeeper::daemon
