#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <optional>
#include <vector>

#include "base/markup.h"
#include "rounds/papers.h"
#include "rounds/words.h"
#include "zone/zone.h"

namespace probekeeper::rounds {
namespace {

// Weight, boxes and words carry the meaning, never a colour: it must survive a photocopy.
constexpr std::string_view style = R"(
@page { size: A4; margin: 13mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.3 sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: 184mm; }
h1 { font-size: 15pt; margin: 0 0 1mm; } h2 { font-size: 12.5pt; margin: 0 0 1mm; } h3 { font-size: 10.5pt; margin: 0 0 1mm; }
p { margin: 0 0 1mm; } ul, ol { margin: 0 0 1mm; padding-left: 6mm; }
h1, h2, h3, .keep { break-after: avoid; } .job, tr, .whole { break-inside: avoid; }
section.day { break-before: page; } section.day:first-of-type { break-before: auto; }
article { border-top: 2px solid #000; padding-top: 2mm; margin-top: 4mm; }
.job { border: 1px solid #000; padding: 1.5mm 3mm; margin: 2mm 0; display: flow-root; }
.mark { border: 1px solid #000; padding: 0 1.5mm; font-weight: bold; }
.chart { float: right; width: 74mm; margin: 0 0 1mm 3mm; } .chart svg { width: 100%; height: auto; display: block; }
.chart text { font-size: 18px; } .id { white-space: nowrap; }
.load { columns: 2; } .load li { list-style: none; break-inside: avoid; } li::marker { font-weight: bold; }
table { border-collapse: collapse; width: 100%; font-size: 8.5pt; margin: 1mm 0 2mm; } th, td { border: 1px solid #000; padding: 1mm; text-align: left; vertical-align: top; }
thead { display: table-header-group; } td.write { height: 9mm; min-width: 11mm; } td.wanted { border: 2.5px solid #000; } td.note { min-width: 19mm; }
.form th { font-size: 7pt; } th small { display: block; font-weight: normal; font-size: 6.5pt; }
.cautions { border-left: 4px solid #000; padding: 0 0 0 3mm; margin: 1mm 0; font-size: 9pt; font-weight: bold; list-style: none; }
.form { overflow-x: auto; }
@media screen { body { padding: 3mm; } .form { margin-bottom: 4mm; } }
@media screen and (max-width: 700px) {
  .chart { float: none; width: 100%; margin: 0 0 2mm; } .load { columns: 1; } h1 { overflow-wrap: anywhere; }
  .way td, .way th { padding: 0.6mm; } .form table { width: max-content; }
}
)";

std::string clock(zone::Zone const& zone, Timestamp t) {
    auto const minutes =
        std::chrono::floor<std::chrono::minutes>(zone.to_local(t).time_since_epoch()).count();
    auto const of_day = ((minutes % 1440) + 1440) % 1440;
    return fmt::format("{:02}:{:02}", of_day / 60, of_day % 60);
}

std::string part_text(service::Part const& part) {
    bool const ml = part.part == "electrolyte_ml";
    return fmt::format("{} {}{}{}", part.quantity, ml ? "ml " : "× ",
                       ml ? "electrolyte" : work_text(part.part), part.kind.empty() ? "" : " " + part.kind);
}

struct FormColumn {
    std::string_view name;  // in the CSV
    std::string_view title, unit;
};
constexpr std::array<FormColumn, 12> form_columns{{{"time", "time", ""},
                                                   {"probe", "probe", ""},
                                                   {"kind", "kind", ""},
                                                   {"dry_zero_found_mg_l", "dry zero as found", "mg/L"},
                                                   {"dry_zero_mg_l", "dry zero as left", "mg/L"},
                                                   {"air_percent", "in air as found", "percent"},
                                                   {"reference_mg_l", "reference meter", "mg/L"},
                                                   {"probe_mg_l", "probe beside it", "mg/L"},
                                                   {"pressure_hpa", "air pressure", "hPa"},
                                                   {"serial", "serial", ""},
                                                   {"by", "by", ""},
                                                   {"note", "note", ""}}};

// The row of a job that a dry zero is written in: where the electrodes are open, or where one is asked for.
std::optional<std::size_t> dry_zero_row(RoundJob const& job, std::vector<service::Work> const& kinds) {
    for (auto const kind : {service::Work::electrode_clean, service::Work::membrane_change}) {
        auto const found = std::find(kinds.begin(), kinds.end(), kind);
        if (found != kinds.end()) {
            return static_cast<std::size_t>(found - kinds.begin());
        }
    }
    bool const asked = std::find(job.work.begin(), job.work.end(), "dry_zero_check") != job.work.end();
    return asked ? std::optional<std::size_t>{0} : std::nullopt;
}

bool is_wanted(std::string_view column, RoundJob const& job, std::vector<service::Work> const& kinds,
               std::size_t row) {
    if (column.starts_with("dry_zero")) {
        return dry_zero_row(job, kinds) == row;
    }
    if (column == "reference_mg_l" || column == "probe_mg_l") {
        return kinds[row] == service::Work::reference_check;
    }
    return kinds[row] == service::Work::air_calibration;
}

class Page {
public:
    Page(Round const& round, HtmlSettings const& settings) : round_{round}, settings_{settings} {}

    std::string made() {
        auto const title = "Round " + zone::to_text(round_.week);
        out_ = fmt::format(
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
            "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{}</title>"
            "<style>{}</style></head><body>\n",
            title, style);
        add("<h1>{}</h1><p>{}</p>\n", title,
            round_.published_at
                ? fmt::format("Published {}, revision {}.", day_text(*round_.published_at), round_.revision)
                : std::string{"Not published: it may still change."});
        for (auto const& technician : round_.technicians) {
            // Everybody has a sheet, who goes along too.
            for (auto const& own : only_of(round_, technician.technician).technicians) {
                for (auto const& day : own.days) {
                    add_day(own, day, /*first=*/&day == &own.days.front());
                }
            }
        }
        add_not_reached();
        out_ += "</body></html>\n";
        return std::move(out_);
    }

private:
    template <typename... Args>
    void add(fmt::format_string<Args...> text, Args&&... args) {
        out_ += fmt::format(text, std::forward<Args>(args)...);
    }

    void add_day(RoundTechnician const& technician, RoundDay const& day, bool first) {
        auto const zone = zone::Zone::find(technician.time_zone).value_or(zone::Zone::utc());
        add("<section class=\"day\"><h1>{}, {} {}</h1>\n", escaped_markup(technician.name),
            weekday_text(day.date), day_text(day.date));
        add("<p>Leave {}, back {}. Driving {:.0f} min, work {:.0f} min. Times are {}.{}</p>\n",
            clock(zone, day.depart), clock(zone, day.home), day.drive_minutes, day.work_minutes,
            escaped_markup(technician.time_zone),
            day.with.empty() ? ""
                             : fmt::format(" <b>Together with {}.</b>", escaped_markup(names_of(day.with))));
        add_way(zone, day);
        if (first && !technician.load.empty()) {
            add_load("Load for the week", technician.load);
        }
        if (day.lead.empty() && !(first && technician.days.size() == 1)) {
            add_load("Load for this day", load_of({day}));
        }
        auto const everywhere = cautions_everywhere(day);
        add("<div class=\"whole\"><h3>At every stop</h3>\n");
        add_cautions(everywhere);
        out_ += "</div>\n";
        for (std::size_t i = 0; i < day.stops.size(); ++i) {
            add_stop(zone, i + 1, day.stops[i], everywhere);
        }
        if (day.lead.empty()) {
            add_form(technician, day);
        } else {
            add("<p>Parts and the form to fill in are with {}.</p>\n", escaped_markup(names_of({day.lead})));
        }
        out_ += "</section>\n";
    }

    std::string names_of(std::vector<std::string> const& technicians) const {
        return fmt::format("{}", fmt::join(rounds::names_of(round_, technicians), ", "));
    }

    // The day at a glance.
    void add_way(zone::Zone const& zone, RoundDay const& day) {
        out_ +=
            "<table class=\"whole "
            "way\"><thead><tr><th></th><th>from</th><th>to</th><th>site</th><th>address</th>"
            "<th>probes</th></tr></thead><tbody>\n";
        for (std::size_t i = 0; i < day.stops.size(); ++i) {
            auto const& stop = day.stops[i];
            std::vector<std::string> probes;
            for (auto const& job : stop.jobs) {
                probes.push_back(job.probe);
            }
            add("<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n", i + 1,
                clock(zone, stop.arrive), clock(zone, stop.leave), escaped_markup(stop.site_name),
                escaped_markup(stop.address), escaped_markup(fmt::format("{}", fmt::join(probes, ", "))));
        }
        out_ += "</tbody></table>\n";
    }

    // In order, none twice.
    static std::vector<std::string> cautions_at(RoundStop const& stop) {
        std::vector<std::string> cautions;
        for (auto const& job : stop.jobs) {
            for (auto const& caution : job.cautions) {
                if (std::find(cautions.begin(), cautions.end(), caution) == cautions.end()) {
                    cautions.push_back(caution);
                }
            }
        }
        return cautions;
    }

    // Those of all stops alike are told once, or nobody would read them.
    static std::vector<std::string> cautions_everywhere(RoundDay const& day) {
        auto common = day.stops.empty() ? std::vector<std::string>{} : cautions_at(day.stops.front());
        for (auto const& stop : day.stops) {
            auto const here = cautions_at(stop);
            std::erase_if(common, [&](std::string const& caution) {
                return std::find(here.begin(), here.end(), caution) == here.end();
            });
        }
        // The tickets' own list usually ends with it.
        bool const deferred = std::any_of(common.begin(), common.end(), [](std::string const& caution) {
            return caution.find("licensed practice") != std::string::npos;
        });
        if (!deferred) {
            common.emplace_back(
                "Local rules, permits and licensed practice come before this sheet. Do not begin what they "
                "do not "
                "allow.");
        }
        return common;
    }

    void add_cautions(std::vector<std::string> const& cautions) {
        out_ += cautions.empty() ? "" : "<ul class=\"cautions\">\n";
        for (auto const& caution : cautions) {
            add("<li>⚠ {}</li>\n", escaped_markup(caution));
        }
        out_ += cautions.empty() ? "" : "</ul>\n";
    }

    void add_load(std::string_view title, std::vector<service::Part> const& load) {
        add("<div class=\"whole\"><h3>{}</h3><ul class=\"load\">\n", title);
        for (auto const& part : load) {
            add("<li>☐ {}</li>\n", escaped_markup(part_text(part)));
        }
        out_ += load.empty() ? "<li>no parts</li></ul></div>\n" : "</ul></div>\n";
    }

    void add_stop(zone::Zone const& zone, std::size_t number, RoundStop const& stop,
                  std::vector<std::string> const& told) {
        add("<article><h2>{}. {} <small>{} to {}</small></h2>\n", number, escaped_markup(stop.site_name),
            clock(zone, stop.arrive), clock(zone, stop.leave));
        if (!stop.address.empty()) {
            add("<p class=\"keep\"><b>Address:</b> {}</p>\n", escaped_markup(stop.address));
        }
        if (!stop.access_notes.empty()) {
            add("<p class=\"keep\"><b>Access:</b> {}</p>\n", escaped_markup(stop.access_notes));
        }
        auto cautions = cautions_at(stop);
        std::erase_if(cautions, [&](std::string const& caution) {
            return std::find(told.begin(), told.end(), caution) != told.end();
        });
        add_cautions(cautions);
        for (auto const& job : stop.jobs) {
            add_job(job);
        }
        out_ += "</article>\n";
    }

    void add_job(RoundJob const& job) {
        auto const chart = settings_.chart ? settings_.chart(job.probe) : std::string{};
        add("<div class=\"job\">{}<h3>{} <small>{}{}</small> {}</h3>\n",
            chart.empty() ? "" : "<div class=\"chart\">" + chart + "</div>", escaped_markup(job.probe),
            escaped_markup(job.location),
            job.serial.empty() ? "" : ", <span class=\"id\">serial " + escaped_markup(job.serial) + "</span>",
            job.pulled_forward ? "<span class=\"mark\">pulled forward</span>" : "");
        add("<p><b>Why now:</b> {}.{}</p>\n", escaped_markup(job.why_now),
            job.ticket.empty() ? ""
                               : " <span class=\"id\">Ticket " + escaped_markup(job.ticket) + ".</span>");
        if (!job.evidence.empty()) {
            add("<p><b>Evidence:</b> {}</p>\n", escaped_markup(job.evidence));
        }
        out_ += job.work.empty() ? "" : "<ol>";
        for (auto const& work : job.work) {
            add("<li>☐ {}</li>", escaped_markup(work_text(work)));
        }
        out_ += job.work.empty() ? "" : "</ol>\n";
        if (!job.parts.empty()) {
            std::vector<std::string> parts;
            for (auto const& part : job.parts) {
                parts.push_back(part_text(part));
            }
            add("<p><b>Parts:</b> {}</p>\n", escaped_markup(fmt::format("{}", fmt::join(parts, "; "))));
        }
        out_ += "</div>\n";
    }

    // Columns of the service CSV; those to be written in are empty, and what the work asks for has a heavy
    // frame.
    void add_form(RoundTechnician const& technician, RoundDay const& day) {
        out_ +=
            "<h3>Record what was done</h3><p class=\"keep\">The columns are those of the CSV form. Heavy "
            "frames: what "
            "the work asks for. A row without a time does not count.</p>"
            "<div class=\"form\"><table><thead><tr>";
        for (auto const& column : form_columns) {
            add("<th data-column=\"{}\">{}<small>{}</small></th>", column.name, column.title, column.unit);
        }
        out_ += "</tr></thead><tbody>\n";
        for (auto const& stop : day.stops) {
            for (auto const& job : stop.jobs) {
                auto const kinds = records_of(job);
                for (std::size_t row = 0; row < kinds.size(); ++row) {
                    add_row(technician, job, kinds, row);
                }
            }
        }
        out_ += "</tbody></table></div>\n";
    }

    void add_row(RoundTechnician const& technician, RoundJob const& job,
                 std::vector<service::Work> const& kinds, std::size_t row) {
        add("<tr><td class=\"write\"></td><td>{}</td><td>{}</td>", escaped_markup(job.probe),
            work_text(service::to_word(kinds[row])));
        for (auto const& column : form_columns) {
            if (!column.unit.empty()) {
                add("<td class=\"write{}\"></td>", is_wanted(column.name, job, kinds, row) ? " wanted" : "");
            }
        }
        add("<td class=\"id\">{}</td><td>{}</td><td class=\"write note\"></td></tr>\n",
            escaped_markup(job.serial), escaped_markup(technician.technician));
    }

    void add_not_reached() {
        if (round_.not_reached.empty()) {
            return;
        }
        out_ += "<section><h2>Not reached this week</h2><ul>\n";
        for (auto const& left : round_.not_reached) {
            add("<li><b>{}</b> {}: {}</li>\n", escaped_markup(left.ticket), escaped_markup(left.probe),
                escaped_markup(left.why));
        }
        out_ += "</ul></section>\n";
    }

    Round const& round_;
    HtmlSettings const& settings_;
    std::string out_;
};

}  // namespace

std::string to_html(Round const& round, HtmlSettings const& settings) {
    return Page{round, settings}.made();
}

}  // namespace probekeeper::rounds
