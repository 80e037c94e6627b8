// Charts of one probe. What is drawn comes from the same places as the JSON documents.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json/parse.hpp>
#include <cmath>
#include <limits>

#include "api/handlers.h"
#include "chart/chart.h"

namespace probekeeper::api {
namespace {

namespace json = boost::json;

constexpr std::int64_t usual_days = 30, usual_days_of_readings = 3, most_days = 400;
constexpr int most_points = 600;
constexpr double nan = std::numeric_limits<double>::quiet_NaN();
// Beyond it a forecast says little.
constexpr double furthest_ahead_days = 30.0;

// All pages of a list.
template <typename Ask>
auto all_of(Call const& call, Ask ask) {
    PageRequest request{1000, std::nullopt};
    auto page = value_of(call, ask(request));
    auto items = std::move(page.items);
    while (page.next) {
        request.after = page.next;
        page = value_of(call, ask(request));
        std::move(page.items.begin(), page.items.end(), std::back_inserter(items));
    }
    return items;
}

// A member of `of`, a JSON object or null; null where it is not there.
json::value const& member_of(json::value const& of, std::string_view name) {
    static json::value const none;
    auto const* const found = of.is_object() ? of.as_object().if_contains(name) : nullptr;
    return found != nullptr ? *found : none;
}

// NaN where it is not there.
double number_in(json::value const& of, std::string_view name) {
    auto const& found = member_of(of, name);
    return found.is_number() ? found.to_number<double>() : nan;
}

Timestamp time_in(json::value const& of, std::string_view name) {
    auto const& found = member_of(of, name);
    auto const time = found.is_string() ? parse_rfc3339(found.as_string()) : std::nullopt;
    return time.value_or(Timestamp{});
}

// One probe's chart while it is put together.
struct Sheet {
    Call const& call;
    Backend& backend;
    std::string const& probe;
    json::value now;  // the newest diagnosis
    chart::Chart chart;
};

void add_level(Sheet& sheet, double value, std::string name, bool limit = false) {
    if (std::isfinite(value)) {
        sheet.chart.levels.push_back({value, std::move(name), limit});
    }
}

void add_records(Sheet& sheet) {
    auto const records = all_of(
        sheet.call, [&](PageRequest const& p) { return sheet.backend.service_records(sheet.probe, p); });
    for (auto const& kept : records) {
        if (!kept.voided_at) {
            std::string name{to_word(kept.record.kind)};
            std::replace(name.begin(), name.end(), '_', ' ');
            sheet.chart.events.push_back({kept.record.time, std::move(name)});
        }
    }
}

// The diagnoses of the range, by time.
std::vector<json::value> history_of(Sheet const& sheet) {
    auto const documents = all_of(sheet.call, [&](PageRequest const& p) {
        return sheet.backend.diagnoses(sheet.probe, {sheet.chart.from, sheet.chart.to}, p);
    });
    std::vector<json::value> history;
    for (auto const& document : documents) {
        history.push_back(json::parse(document));
    }
    if (time_in(sheet.now, "at") <= sheet.chart.to) {
        history.push_back(sheet.now);
    }
    return history;
}

// The line, and the interval where there is one, of a quantity of every diagnosis in the range.
void add_history(Sheet& sheet, std::string_view quantity, std::string_view value, std::string_view low,
                 std::string_view high) {
    for (auto const& diagnosis : history_of(sheet)) {
        auto const& found = member_of(diagnosis, quantity);
        auto const at = time_in(diagnosis, "at");
        double const y = number_in(found, value);
        sheet.chart.line.push_back({at, y});
        if (std::isfinite(y) && !low.empty()) {
            sheet.chart.band.push_back({at, number_in(found, low), number_in(found, high)});
        }
    }
}

void draw_oxygen(Sheet& sheet) {
    auto const& range = sheet.chart;
    auto const step = std::max<std::int64_t>((range.to - range.from).count() / most_points, 60'000);
    auto const steps = all_of(sheet.call, [&](PageRequest const& p) {
        return sheet.backend.steps(sheet.probe, {range.from, range.to}, Millis{step}, p);
    });
    Timestamp last{};
    for (auto const& s : steps) {
        if (s.start - last > 3 * Millis{step}) {
            sheet.chart.line.push_back({s.start, nan});
        }
        last = s.start;
        auto const middle = s.start + Millis{step / 2};
        if (is_read(s.do_mg_l.mean)) {
            sheet.chart.line.push_back({middle, s.do_mg_l.mean});
            sheet.chart.band.push_back({middle, s.do_mg_l.min, s.do_mg_l.max});
        }
    }
    sheet.chart.empty = sheet.chart.band.empty() ? "no readings in mg/L in this time" : "";
}

void add_forecast(Sheet& sheet, json::value const& t90, double limit) {
    auto const& forecast = member_of(sheet.now, "forecast");
    bool const told = forecast.is_object() && time_in(sheet.now, "at") <= sheet.chart.to;
    if (!told || !(number_in(t90, "value_s") < limit)) {
        return;
    }
    auto const last = sheet.chart.to;
    auto const furthest = last + days(furthest_ahead_days);
    auto const earliest = std::clamp(time_in(forecast, "earliest"), last, furthest);
    auto const latest = std::clamp(time_in(forecast, "latest"), earliest, furthest);
    sheet.chart.to = latest + days(1.0);
    // From today's interval to where each of its edges meets the limit.
    sheet.chart.fan = {{last, number_in(t90, "low_s"), number_in(t90, "high_s")},
                       {earliest, number_in(t90, "low_s"), limit},
                       {latest, limit, limit}};
}

void draw_t90(Sheet& sheet) {
    auto const tests = all_of(sheet.call, [&](PageRequest const& p) {
        return sheet.backend.response_tests(sheet.probe, sheet.chart.from, p);
    });
    auto const& t90 = sheet.now.at("t90");
    double const fresh = number_in(t90, "fresh_s");
    double const scale = 3.0 * std::max(number_in(t90, "value_s"), 1.0);
    for (auto const& test : tests) {
        if (test.used || (test.t90_20_s > 0.0 && test.t90_20_s < scale)) {
            (test.used ? sheet.chart.good_dots : sheet.chart.poor_dots).push_back({test.time, test.t90_20_s});
        }
    }
    add_history(sheet, "t90", "value_s", "low_s", "high_s");
    add_level(sheet, fresh, "fresh");
    double const limit = number_in(t90, "limit_s");
    add_level(sheet, limit, "limit", true);
    add_forecast(sheet, t90, limit);
    sheet.chart.empty = t90.is_object() ? "" : "T90 is not known yet: no response test could be used";
}

void draw_background(Sheet& sheet) {
    add_history(sheet, "background", "value_mg_l", "low_mg_l", "high_mg_l");
    auto const& why = member_of(sheet.now, "background_unknown");
    sheet.chart.empty = sheet.chart.band.empty() && why.is_string() ? why.as_string().c_str() : "";
}

void draw_fluctuation(Sheet& sheet) {
    add_history(sheet, "fluctuation", "value_mg_l", "", "");
    add_level(sheet, number_in(sheet.now.at("fluctuation"), "fresh_mg_l"), "fresh");
    bool const any = std::any_of(sheet.chart.line.begin(), sheet.chart.line.end(),
                                 [](chart::Point const& p) { return std::isfinite(p.value); });
    sheet.chart.empty = any ? "" : "the movement is not known yet: too few undisturbed hours";
}

// Today; of a probe that has given nothing for days, when it last did.
Timestamp end_of(Sheet const& sheet) {
    auto const at = time_in(sheet.now, "at");
    auto const probe = sheet.backend.probe(sheet.probe);
    bool const read = probe && probe.value().last_reading;
    return read ? std::min(at, probe.value().last_reading->time + days(1.0)) : at;
}

struct Kind {
    std::string_view word, title, unit;
    void (*draw)(Sheet&);
};
constexpr Kind kinds[] = {{"do", "dissolved oxygen", "mg/L", draw_oxygen},
                          {"t90", "response time T90 at 20 °C", "s", draw_t90},
                          {"background", "background", "mg/L", draw_background},
                          {"fluctuation", "fluctuation", "mg/L", draw_fluctuation}};

}  // namespace

Response draw_chart(Call const& call, Backend& backend) {
    std::vector<std::string_view> words;
    for (auto const& kind : kinds) {
        words.push_back(kind.word);
    }
    auto const& kind = kinds[call.query.word("quantity", words).value_or(0)];
    auto const span = call.query.integer("days", 1, most_days)
                          .value_or(kind.draw == draw_oxygen ? usual_days_of_readings : usual_days);

    Sheet sheet{call, backend, call.ids[0], json::parse(value_of(call, backend.diagnosis(call.ids[0]))), {}};
    sheet.chart.title = fmt::format("{}: {}", call.ids[0], kind.title);
    sheet.chart.unit = kind.unit;
    sheet.chart.to = end_of(sheet);
    sheet.chart.from = sheet.chart.to - days(static_cast<double>(span));
    add_records(sheet);
    kind.draw(sheet);

    Response response;
    response.content_type = "image/svg+xml";
    response.body = chart::to_svg(sheet.chart);
    return response;
}

}  // namespace probekeeper::api
