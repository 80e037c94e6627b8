#include "notify/outages.h"

#include <algorithm>

namespace probekeeper::notify {
namespace {

constexpr Millis site_first{60'000};

bool is_out(LineSilence const& line, Timestamp now, Millis more) {
    return line.probes > 0 && (line.probes > 1 || !line.up) &&
           now - std::max(line.newest, line.heard_from) >= line.limit + more;
}

bool same_place(Outage const& a, Outage const& b) {
    return a.site == b.site && a.line == b.line;
}

}  // namespace

std::vector<Outage> Outages::look(std::vector<LineSilence> const& lines, std::size_t sites, Timestamp now) {
    std::vector<Outage> out;
    for (fleet::SiteIndex site = 0; site < sites; ++site) {
        Timestamp newest{};
        bool any = false, all = true;
        for (auto const& line : lines) {
            if (line.site == site && line.probes > 0) {
                any = true;
                all = all && is_out(line, now, Millis{0});
                newest = std::max(newest, line.newest);
            }
        }
        if (any && all) {
            out.push_back({site, std::nullopt, newest, false});
            continue;
        }
        for (fleet::LineIndex line = 0; line < lines.size(); ++line) {
            if (lines[line].site == site && is_out(lines[line], now, site_first)) {
                out.push_back({site, line, lines[line].newest, false});
            }
        }
    }
    std::vector<Outage> told;
    auto const stands_in = [](std::vector<Outage> const& list, Outage const& outage) {
        return std::any_of(list.begin(), list.end(), [&](Outage const& o) { return same_place(o, outage); });
    };
    for (auto const& outage : out) {
        if (!stands_in(standing_, outage)) {
            told.push_back(outage);
        }
    }
    for (auto const& outage : standing_) {
        // A line whose whole site is out now has not come back.
        if (!stands_in(out, outage) && !stands_in(out, {outage.site, std::nullopt, {}, false})) {
            told.push_back(outage);
            told.back().over = true;
        }
    }
    standing_ = std::move(out);
    return told;
}

}  // namespace probekeeper::notify
