#include "report.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json.hpp>
#include <cmath>
#include <map>
#include <set>

namespace probekeeper::backtest {
namespace {

namespace json = boost::json;

std::string_view to_word(Outcome o) {
    switch (o) {
        case Outcome::named:
            return "named";
        case Outcome::late:
            return "late";
        case Outcome::missed:
            return "missed";
        case Outcome::not_due:
            return "not_due";
    }
    return {};
}

std::optional<double> quantile(std::vector<double> values, double part) {
    if (values.empty()) {
        return std::nullopt;
    }
    std::sort(values.begin(), values.end());
    double const at = part * static_cast<double>(values.size() - 1);
    auto const low = static_cast<std::size_t>(at);
    auto const high = std::min(low + 1, values.size() - 1);
    return values[low] + (at - static_cast<double>(low)) * (values[high] - values[low]);
}

std::optional<double> ratio(double part, double whole) {
    return whole > 0.0 ? std::optional{part / whole} : std::nullopt;
}

json::value or_null(std::optional<double> value) {
    return value ? json::value(*value) : json::value(nullptr);
}

std::string cell(std::optional<double> value, std::string_view format, double scale = 1.0) {
    return value ? fmt::format(fmt::runtime(format), *value * scale) : "-";
}

// The figures of one kind of water, or of all.
struct Figures {
    int due = 0, named = 0;
    int false_reasons = 0, wrong_reasons = 0;
    std::set<std::string> false_tickets;
    double clean_years = 0.0;
    std::vector<double> t90_errors, delays;
    int t90_covered = 0, background_covered = 0, background_count = 0;
    int forecasts = 0, forecasts_covered = 0;
};

Figures figures(Score const& score, std::string const& fleet) {
    auto const mine = [&](std::string const& f) { return fleet == "all" || f == fleet; };
    Figures r;
    for (auto const& f : score.faults) {
        if (mine(f.fleet) && f.outcome != Outcome::not_due) {
            ++r.due;
            r.named += f.outcome == Outcome::named ? 1 : 0;
            if (f.delay_days) {
                r.delays.push_back(*f.delay_days);
            }
        }
    }
    for (auto const& m : score.mistakes) {
        if (mine(m.fleet)) {
            bool const alarm = m.mistake == Mistake::false_alarm;
            (alarm ? r.false_reasons : r.wrong_reasons) += 1;
            if (alarm) {
                r.false_tickets.insert(m.probe + "/" + m.ticket);
            }
        }
    }
    for (auto const& e : score.exposures) {
        r.clean_years += mine(e.fleet) ? e.clean_years : 0.0;
    }
    for (auto const& e : score.t90) {
        if (mine(e.fleet)) {
            r.t90_errors.push_back(std::abs(e.value / e.truth - 1.0));
            r.t90_covered += e.covered() ? 1 : 0;
        }
    }
    for (auto const& e : score.background) {
        if (mine(e.fleet)) {
            ++r.background_count;
            r.background_covered += e.covered() ? 1 : 0;
        }
    }
    for (auto const& f : score.forecasts) {
        if (mine(f.fleet)) {
            ++r.forecasts;
            r.forecasts_covered += f.covered ? 1 : 0;
        }
    }
    return r;
}

std::vector<std::string> fleets_of(Score const& score) {
    std::set<std::string> fleets;
    for (auto const& e : score.exposures) {
        fleets.insert(e.fleet);
    }
    std::vector<std::string> list(fleets.begin(), fleets.end());
    list.emplace_back("all");
    return list;
}

json::object summary_line(Score const& score, std::string const& fleet) {
    auto const f = figures(score, fleet);
    return {{"type", "summary"},
            {"fleet", fleet},
            {"due", f.due},
            {"named", f.named},
            {"recall", or_null(ratio(f.named, f.due))},
            {"median_delay_days", or_null(quantile(f.delays, 0.5))},
            {"clean_probe_years", f.clean_years},
            {"false_reasons", f.false_reasons},
            {"false_tickets_per_probe_year",
             or_null(ratio(static_cast<double>(f.false_tickets.size()), f.clean_years))},
            {"wrong_reasons", f.wrong_reasons},
            {"t90_count", f.t90_errors.size()},
            {"t90_error_median", or_null(quantile(f.t90_errors, 0.5))},
            {"t90_error_p90", or_null(quantile(f.t90_errors, 0.9))},
            {"t90_coverage", or_null(ratio(f.t90_covered, static_cast<double>(f.t90_errors.size())))},
            {"background_count", f.background_count},
            {"background_coverage", or_null(ratio(f.background_covered, f.background_count))},
            {"forecast_count", f.forecasts},
            {"forecast_coverage", or_null(ratio(f.forecasts_covered, f.forecasts))}};
}

json::object estimate_line(std::string_view type, Estimate const& e) {
    return {{"type", type}, {"fleet", e.fleet}, {"probe", e.probe}, {"value", e.value},
            {"low", e.low}, {"high", e.high},   {"truth", e.truth}, {"covered", e.covered()}};
}

std::string reasons_table(Score const& score) {
    struct Line {
        int due = 0, named = 0, late = 0, missed = 0, false_alarms = 0, wrong = 0;
        std::vector<double> delays;
    };
    std::map<std::string, Line> lines;
    for (auto const& f : score.faults) {
        auto& line = lines[f.reason];
        if (f.outcome == Outcome::not_due) {
            continue;
        }
        ++line.due;
        line.named += f.outcome == Outcome::named ? 1 : 0;
        line.late += f.outcome == Outcome::late ? 1 : 0;
        line.missed += f.outcome == Outcome::missed ? 1 : 0;
        if (f.delay_days) {
            line.delays.push_back(*f.delay_days);
        }
    }
    for (auto const& m : score.mistakes) {
        auto& line = lines[m.code];
        (m.mistake == Mistake::false_alarm ? line.false_alarms : line.wrong) += 1;
    }
    std::string out = fmt::format("{:<24}{:>5}{:>7}{:>6}{:>8}{:>9}{:>13}{:>7}{:>7}\n", "reason", "due",
                                  "named", "late", "missed", "recall", "delay days", "false", "wrong");
    for (auto const& [reason, l] : lines) {
        out += fmt::format("{:<24}{:>5}{:>7}{:>6}{:>8}{:>9}{:>13}{:>7}{:>7}\n", reason, l.due, l.named,
                           l.late, l.missed, cell(ratio(l.named, l.due), "{:.0f} %", 100.0),
                           cell(quantile(l.delays, 0.5), "{:.1f}"), l.false_alarms, l.wrong);
    }
    return out;
}

std::string fleets_table(Score const& score) {
    std::string out = fmt::format("{:<14}{:>5}{:>8}{:>13}{:>12}{:>7}{:>9}{:>9}{:>8}{:>12}{:>10}\n", "water",
                                  "due", "recall", "clean years", "false/year", "wrong", "T90 med", "T90 p90",
                                  "covers", "background", "forecast");
    for (auto const& fleet : fleets_of(score)) {
        auto const f = figures(score, fleet);
        out += fmt::format(
            "{:<14}{:>5}{:>8}{:>13.2f}{:>12}{:>7}{:>9}{:>9}{:>8}{:>12}{:>10}\n", fleet, f.due,
            cell(ratio(f.named, f.due), "{:.0f} %", 100.0), f.clean_years,
            cell(ratio(static_cast<double>(f.false_tickets.size()), f.clean_years), "{:.2f}"),
            f.wrong_reasons, cell(quantile(f.t90_errors, 0.5), "{:.1f} %", 100.0),
            cell(quantile(f.t90_errors, 0.9), "{:.1f} %", 100.0),
            cell(ratio(f.t90_covered, static_cast<double>(f.t90_errors.size())), "{:.0f} %", 100.0),
            cell(ratio(f.background_covered, f.background_count), "{:.0f} %", 100.0),
            cell(ratio(f.forecasts_covered, f.forecasts), "{:.0f} %", 100.0));
    }
    return out;
}

// How services were proved, by kind; empty where there were none.
std::string services_table(Score const& score) {
    struct Kind {
        int all = 0, without_ticket = 0, right = 0, verified = 0, reopened = 0, opened_by_handling = 0;
        void add(ServiceScore const& s) {
            ++all;
            without_ticket += s.ticketed ? 0 : 1;
            right += s.ticketed && s.right() ? 1 : 0;
            verified += s.verified ? 1 : 0;
            reopened += s.reopened ? 1 : 0;
            opened_by_handling += s.opened_by_handling;
        }
    };
    std::map<std::string, Kind> kinds;
    for (auto const& s : score.services) {
        kinds[s.kind].add(s);
        kinds["~all"].add(s);
    }
    std::string out;
    for (auto const& [kind, k] : kinds) {
        out += fmt::format(
            "{}{:<20}{:>5}{:>11}{:>9}{:>10}{:>10}{:>13}\n",
            out.empty() ? "\nservice            count  no ticket    right  verified  reopened  by handling\n"
                        : "",
            kind, k.all, k.without_ticket,
            cell(ratio(k.right, static_cast<double>(k.all - k.without_ticket)), "{:.0f} %", 100.0),
            k.verified, k.reopened, k.opened_by_handling);
    }
    return out;
}

}  // namespace

std::string json_lines(Score const& score) {
    std::string out;
    auto const put = [&out](json::object const& line) { out += json::serialize(line) + '\n'; };
    for (auto const& f : score.faults) {
        put({{"type", "fault"},
             {"fleet", f.fleet},
             {"probe", f.probe},
             {"reason", f.reason},
             {"kind", f.kind},
             {"outcome", to_word(f.outcome)},
             {"visible", to_rfc3339(f.visible)},
             {"delay_days", or_null(f.delay_days)}});
    }
    for (auto const& m : score.mistakes) {
        put({{"type", m.mistake == Mistake::false_alarm ? "false_alarm" : "wrong_reason"},
             {"fleet", m.fleet},
             {"probe", m.probe},
             {"ticket", m.ticket},
             {"code", m.code},
             {"raised_at", to_rfc3339(m.raised_at)},
             {"text", m.text},
             {"confusers", json::array(m.confusers.begin(), m.confusers.end())}});
    }
    for (auto const& s : score.services) {
        put({{"type", "service"},
             {"fleet", s.fleet},
             {"probe", s.probe},
             {"kind", s.kind},
             {"good", s.good},
             {"ticketed", s.ticketed},
             {"verified", s.verified},
             {"reopened", s.reopened},
             {"right", s.right()},
             {"opened_by_handling", s.opened_by_handling}});
    }
    for (auto const& e : score.t90) {
        put(estimate_line("t90", e));
    }
    for (auto const& e : score.background) {
        put(estimate_line("background", e));
    }
    for (auto const& f : score.forecasts) {
        put({{"type", "forecast"},
             {"fleet", f.fleet},
             {"probe", f.probe},
             {"covered", f.covered},
             {"error_days", f.error_days}});
    }
    for (auto const& fleet : fleets_of(score)) {
        put(summary_line(score, fleet));
    }
    return out;
}

std::string tables(Score const& score) {
    auto const all = figures(score, "all");
    return fmt::format(
        "{}\n{}{}\nreasons raised {}, false {}, wrong {} ({} of all)\n", fleets_table(score),
        reasons_table(score), services_table(score), score.reasons_raised, all.false_reasons,
        all.wrong_reasons,
        cell(ratio(all.false_reasons + all.wrong_reasons, score.reasons_raised), "{:.0f} %", 100.0));
}

}  // namespace probekeeper::backtest
