#include "paper/month.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>

#include "base/date.h"
#include "base/markup.h"
#include "paper/markup.h"
#include "paper/strips.h"

namespace probekeeper::paper {
namespace {

using diagnosis::Condition;
using service::ProbeMonth;

constexpr std::string_view style = R"(
@page { size: A4; margin: 14mm; }
* { box-sizing: border-box; -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { font: 10.5pt/1.4 sans-serif; color: #111; background: #fff; margin: 0 auto; max-width: 182mm; padding: 4mm 0; }
h1 { font-size: 17pt; margin: 0; } h2 { font-size: 12.5pt; margin: 7mm 0 1mm; border-bottom: 1.5px solid #111; break-after: avoid; }
h3 { font-size: 10.5pt; margin: 3mm 0 0; } h3 small { font-weight: normal; color: #444; }
p { margin: 1mm 0; } .quiet { color: #444; font-size: 9.5pt; }
.sum { display: flex; flex-wrap: wrap; gap: 3mm; margin: 4mm 0; } .sum div { border: 1px solid #888; padding: 1.5mm 3mm; min-width: 26mm; }
.sum b { display: block; font-size: 14pt; }
article, tr, svg { break-inside: avoid; }
svg.strip { width: 100%; height: auto; display: block; } svg.box { width: 18px; height: 10px; vertical-align: baseline; }
svg.defs { position: absolute; width: 0; height: 0; }
.legend span { margin-right: 4mm; white-space: nowrap; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin-top: 2mm; } thead { display: table-header-group; }
th, td { border: 1px solid #999; padding: 1mm 1.5mm; text-align: left; vertical-align: top; overflow-wrap: break-word; }
th { background: #eee; } td.n { text-align: right; white-space: nowrap; } td.t { white-space: nowrap; } td.w { overflow-wrap: anywhere; min-width: 30mm; }
.notice { border: 1.5px solid #111; padding: 2mm 3mm; margin: 3mm 0; }
)";

constexpr std::array<std::string_view, 12> months{"January",   "February", "March",    "April",
                                                  "May",       "June",     "July",     "August",
                                                  "September", "October",  "November", "December"};

// Never 100 % nor 0 % of what is not quite so.
std::string percent(double share) {
    double const p = 100.0 * share;
    double shown = std::round(10.0 * p) / 10.0;
    shown = shown >= 100.0 && share < 1.0 - 1e-9 ? 99.9 : shown <= 0.0 && share > 1e-9 ? 0.1 : shown;
    return fmt::format("{:.1f} %", shown);
}

class Page {
public:
    Page(service::MonthReport const& report, MonthFacts const& facts)
        : report_{report}, facts_{facts}, days_{report.from, facts.until, report.until, facts.zone} {}

    std::string made() {
        auto const title = fmt::format("{}, {}", escaped_markup(name()), month_name());
        out_ = fmt::format(
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
            "content=\"width=device-width\"><title>{}</title><style>{}</style></head><body>\n{}",
            title, style, patterns());
        add_head();
        add_sum();
        add_conditions();
        add_checks();
        add_tickets();
        add_work();
        add_membranes();
        add_what_it_means();
        out_ += "</body></html>\n";
        return std::move(out_);
    }

private:
    template <typename... Args>
    void add(fmt::format_string<Args...> text, Args&&... args) {
        fmt::format_to(std::back_inserter(out_), text, std::forward<Args>(args)...);
    }

    [[nodiscard]] std::string const& name() const {
        return facts_.site_name.empty() ? report_.site : facts_.site_name;
    }
    [[nodiscard]] std::string month_name() const {
        auto const day = facts_.zone.day_of(report_.from);
        return fmt::format("{} {}", months[(static_cast<unsigned>(day.month()) + 11) % 12],
                           static_cast<int>(day.year()));
    }
    [[nodiscard]] std::string local(Timestamp t) const {
        auto const minutes =
            std::chrono::floor<std::chrono::minutes>(facts_.zone.to_local(t).time_since_epoch()).count();
        auto const of_day = ((minutes % 1440) + 1440) % 1440;
        return fmt::format("{} {:02}:{:02}", to_text(facts_.zone.day_of(t)), of_day / 60, of_day % 60);
    }

    void add_head() {
        add("<h1>{}</h1><p>{}{}{}. Days and hours are those of {}.</p>\n", escaped_markup(name()),
            month_name(), facts_.address.empty() ? "" : " · ", escaped_markup(facts_.address),
            escaped_markup(facts_.time_zone));
        if (!report_.complete) {
            add("<p class=\"notice\"><b>This month is not over.</b> It is told up to {}.</p>\n",
                local(report_.until));
        }
    }

    void add_box(std::string const& value, std::string_view what) {
        add("<div><b>{}</b>{}</div>", value, what);
    }

    void add_sum() {
        service::TimeShares all;
        double in_use = 0.0;
        for (auto const& probe : report_.probes) {
            all.good += probe.time.good;
            in_use += 1.0 - probe.time.out_of_use;
            all.unknown += probe.time.unknown;
        }
        int opened = 0, ended = 0;
        for (auto const& ticket : report_.tickets) {
            opened += ticket.opened_at >= report_.from ? 1 : 0;
            ended += ticket.ended_at ? 1 : 0;
        }
        int membranes = 0;
        for (auto const& [kind, count] : report_.membranes) {
            membranes += count;
        }
        out_ += "<div class=\"sum\">";
        add_box(std::to_string(report_.probes.size()), report_.probes.size() == 1 ? "probe" : "probes");
        add_box(in_use > 1e-9 ? percent(all.good / in_use) : "–", "of the time in use known to be good");
        add_box(in_use > 1e-9 ? percent(all.unknown / in_use) : "–", "of it unknown");
        add_box(fmt::format("{} / {}", opened, ended), "tickets opened / ended");
        add_box(std::to_string(report_.work.size()),
                report_.work.size() == 1 ? "piece of work" : "pieces of work");
        add_box(std::to_string(membranes), membranes == 1 ? "membrane used" : "membranes used");
        out_ += "</div>\n";
    }

    void add_legend() {
        out_ += "<p class=\"legend quiet\">";
        for (auto const condition :
             {Condition::good, Condition::maintenance_required, Condition::out_of_specification,
              Condition::failure, Condition::function_check, Condition::unknown}) {
            add("<span>{} {}</span>", legend_box(condition), spoken(to_word(condition)));
        }
        add("<span>{} out of use</span></p>\n", legend_box(Condition::unknown, true));
    }

    void add_conditions() {
        out_ += "<h2>How the probes were</h2>\n";
        if (report_.probes.empty()) {
            out_ += "<p>No probe is configured at this site.</p>\n";
            return;
        }
        add_legend();
        for (auto const& probe : report_.probes) {
            add("<article><h3>{} <small>{}</small></h3>{}", escaped_markup(probe.id),
                escaped_markup(probe.location), condition_strip(probe.spans, days_));
            auto const& t = probe.time;
            add("<p class=\"quiet\">Could be judged for <b>{}</b> of the time, and was good for <b>{}</b>. "
                "Unknown {}",
                percent(t.judged()), percent(t.good), percent(t.unknown));
            add_share("maintenance required", t.maintenance_required);
            add_share("out of specification", t.out_of_specification);
            add_share("failure", t.failure);
            add_share("worked on, settling or awaiting its calibration", t.function_check);
            add_share("out of use", t.out_of_use);
            out_ += ".</p></article>\n";
        }
    }

    void add_share(std::string_view what, double share) {
        if (share > 1e-9) {
            add(", {} {}", what, percent(share));
        }
    }

    void add_checks() {
        out_ += "<h2>Checks</h2>\n";
        out_ +=
            "<p class=\"quiet\">Response tests are found in the probe's own readings; T90 is how long it "
            "takes to show "
            "nine tenths of a change, at 20 °C. Hollow dots were set aside and not used; tests that gave no "
            "figure "
            "have none.</p>\n";
        for (auto const& probe : report_.probes) {
            add("<article><h3>{} <small>{}</small></h3>", escaped_markup(probe.id), checks_of(probe));
            if (!probe.tests.empty()) {
                out_ += test_strip(probe.tests, days_);
            }
            out_ += "</article>\n";
        }
    }

    static std::string checks_of(ProbeMonth const& p) {
        auto const tests = p.response_tests == 0
                               ? std::string{"no response test: nothing says how quick it was"}
                               : fmt::format("{} response test{}, {} used", p.response_tests,
                                             p.response_tests == 1 ? "" : "s", p.response_tests_used);
        auto const t90 =
            p.first_t90_s && p.last_t90_s && p.response_tests_used > 1
                ? fmt::format("; T90 {:.0f} s at first, {:.0f} s at last", *p.first_t90_s, *p.last_t90_s)
            : p.last_t90_s ? fmt::format("; T90 {:.0f} s", *p.last_t90_s)
                           : std::string{};
        return fmt::format("{}{}; {} calibration{}, {} check{} against a reference", tests, t90,
                           p.calibrations, p.calibrations == 1 ? "" : "s", p.reference_checks,
                           p.reference_checks == 1 ? "" : "s");
    }

    void add_tickets() {
        out_ += "<h2>Tickets and how they ended</h2>\n";
        if (report_.tickets.empty()) {
            out_ += "<p>None.</p>\n";
            return;
        }
        std::vector<Stretch> lines;
        for (auto const& ticket : report_.tickets) {
            lines.push_back({ticket.id, ticket.opened_at, ticket.ended_at});
        }
        add("{}<p class=\"quiet\">A ring is an end; an arrow goes on.</p>", stretches(lines, days_));
        out_ +=
            "<table><thead><tr><th>ticket</th><th>probe</th><th>opened</th><th>why</th><th>state</th><th>how "
            "it "
            "ended</th></tr></thead><tbody>\n";
        for (auto const& t : report_.tickets) {
            add("<tr><td>{}</td><td>{}</td><td class=\"t\">{}</td><td class=\"w\">{}</td><td "
                "class=\"t\">{}{}</td><td "
                "class=\"w\">{}</td></tr>\n",
                escaped_markup(t.id), escaped_markup(t.probe), local(t.opened_at),
                escaped_markup(fmt::format("{}", fmt::join(t.reasons, "; "))), to_word(t.state),
                t.ended_at ? "<br>" + local(*t.ended_at) : "",
                !t.how.empty() ? escaped_markup(t.how)
                : t.ended_at   ? "nothing is noted"
                               : "it goes on");
        }
        out_ += "</tbody></table>\n";
    }

    void add_work() {
        out_ += "<h2>Work done</h2>\n";
        if (report_.work.empty()) {
            out_ += "<p>No work is recorded.</p>\n";
            return;
        }
        std::vector<Stretch> marks;
        for (auto const& work : report_.work) {
            marks.push_back({work.probe, work.at, work.at});
        }
        out_ += stretches(marks, days_);
        out_ +=
            "<table><thead><tr><th>when</th><th>probe</th><th>what</th><th>by</th><th>note</th></tr></"
            "thead><tbody>\n";
        for (auto const& w : report_.work) {
            add("<tr><td class=\"t\">{}</td><td>{}</td><td>{}</td><td>{}</td><td class=\"w\">{}</td></tr>\n",
                local(w.at), escaped_markup(w.probe), spoken(service::to_word(w.kind)), escaped_markup(w.by),
                escaped_markup(w.note));
        }
        out_ += "</tbody></table>\n";
    }

    void add_membranes() {
        out_ += "<h2>Membranes used</h2>\n";
        if (report_.membranes.empty()) {
            out_ += "<p>None.</p>\n";
            return;
        }
        std::vector<Bar> counts;
        for (auto const& [kind, count] : report_.membranes) {
            counts.push_back({kind.empty() ? "kind not configured" : kind, count});
        }
        out_ += bars(counts);
    }

    void add_what_it_means() {
        add("<h2>How to read this</h2><p class=\"quiet\"><b>Good</b> is said only of a probe whose response "
            "was tested "
            "within its time and that shows no fault. <b>Unknown</b> is neither good nor bad: nothing tested "
            "the probe, "
            "its readings did not come, or it was not watched. <b>Verified</b> says that the response is "
            "restored after "
            "the work; how accurate a probe is, only a check against a reference says.</p><p "
            "class=\"quiet\">Made {}.</p>"
            "\n",
            local(facts_.made_at));
    }

    service::MonthReport const& report_;
    MonthFacts const& facts_;
    Days days_;
    std::string out_;
};

}  // namespace

std::string to_html(service::MonthReport const& report, MonthFacts const& facts) {
    return Page{report, facts}.made();
}

}  // namespace probekeeper::paper
