// A week's round, as a document and on paper.
#include "api/handlers.h"
#include "document/round.h"
#include "document/small_chart.h"
#include "rounds/papers.h"

namespace probekeeper::api {
namespace {

constexpr std::size_t longest_name = 200;

zone::Week week_in(Call const& call) {
    auto const week = zone::parse_week(call.ids[0]);
    if (!week) {
        throw Problem{ProblemType::not_found,
                      "there is no week " + call.ids[0] + ": weeks are those of ISO 8601, such as 2026-W49",
                      {},
                      {}};
    }
    return *week;
}

boost::json::object written(WeekRound const& made) {
    auto out = document::to_json(made.round);
    out["made_at"] = to_rfc3339(made.made_at);
    out["planning"] = made.planning ? boost::json::value(boost::json::object{{"share", *made.planning}})
                                    : boost::json::value(nullptr);
    return out;
}

// Of one technician, where the caller wants only that.
WeekRound asked_for(Call const& call, Backend& backend) {
    auto made = value_of(call, backend.round(week_in(call)));
    auto const technician = call.query.id("technician");
    if (!technician) {
        return made;
    }
    bool const known =
        std::any_of(made.round.technicians.begin(), made.round.technicians.end(),
                    [&](rounds::RoundTechnician const& one) { return one.technician == *technician; });
    if (!known) {
        throw bad_parameter("technician", "there is no technician " + *technician + " in this round");
    }
    made.round = rounds::only_of(std::move(made.round), *technician);
    for (auto& told : made.told) {
        told = rounds::only_of(std::move(told), *technician);
    }
    return made;
}

std::string chart_of(Call const& call, Backend& backend, std::string const& probe, Timestamp now) {
    auto const from = now - days(document::small_chart_days);
    // A probe that has left the configuration since has no chart, and its sheet is no worse for it.
    auto const tests = backend.response_tests(probe, from, {1000, std::nullopt});
    if (!tests && tests.error().kind != Refusal::Kind::not_found) {
        throw problem_of(tests.error(), call.is_command);
    }
    return tests ? document::small_chart(tests.value().items, now) : std::string{};
}

Response paper(std::string content_type, std::string body, std::string const& file_name) {
    return {200,
            std::move(content_type),
            std::move(body),
            {{"Content-Disposition", "attachment; filename=\"" + file_name + "\""}}};
}

std::string by_of(Call const& call) {
    document::Fields fields{call.body, {"by"}};
    auto by = fields.text("by", longest_name);
    if (!fields.errors().empty()) {
        throw invalid_fields(fields.errors());
    }
    return by.empty() ? call.caller.name : by;
}

}  // namespace

Response show_round(Call const& call, Backend& backend) {
    return json_response(written(asked_for(call, backend)));
}

Response show_round_html(Call const& call, Backend& backend) {
    auto const made = asked_for(call, backend);
    rounds::HtmlSettings settings;
    settings.chart = [&](std::string const& probe) { return chart_of(call, backend, probe, made.made_at); };
    return {200,
            "text/html; charset=utf-8",
            document::as_utf8(rounds::to_html(made.round, settings)),
            // The sheet brings its style with it, and needs nothing else.
            {{"Content-Security-Policy",
              "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"}}};
}

Response show_round_ics(Call const& call, Backend& backend) {
    auto const made = asked_for(call, backend);
    return paper("text/calendar; charset=utf-8",
                 document::as_utf8(rounds::to_ics(made.round, made.made_at, made.told)),
                 call.ids[0] + ".ics");
}

Response show_round_csv(Call const& call, Backend& backend) {
    auto const made = asked_for(call, backend);
    return paper("text/csv; charset=utf-8", document::as_utf8(rounds::to_csv(made.round)),
                 call.ids[0] + ".csv");
}

Response publish_round(Call const& call, Backend& backend) {
    auto const by = by_of(call);
    return json_response(written(
        value_of(call, backend.publish_round(week_in(call), by, keep<WeekRound>(call, 200, &written)))));
}

Response replan_round(Call const& call, Backend& backend) {
    auto const by = by_of(call);
    return json_response(written(
        value_of(call, backend.replan_round(week_in(call), by, keep<WeekRound>(call, 200, &written)))));
}

}  // namespace probekeeper::api
