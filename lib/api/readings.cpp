#include "api/handlers.h"

namespace probekeeper::api {
namespace {

// A column of numbers is small beside its list's other items, so pages are longer here: half a day at 5 s.
constexpr std::size_t readings_a_page = 10'000;
constexpr std::int64_t longest_step_s = 366 * 86'400;

TimeRange range_of(Query const& query) {
    TimeRange const range{query.time("from"), query.time("to")};
    if (range.from && range.to && *range.from >= *range.to) {
        throw bad_parameter("from", "from is not before to: a range takes from <= time < to");
    }
    return range;
}

boost::json::object written(Upload const& upload) {
    boost::json::array bad;
    for (auto const& row : upload.bad_rows) {
        bad.push_back(boost::json::object{{"line", row.line}, {"message", row.message}});
    }
    auto const time = [](std::optional<Timestamp> at) {
        return at ? boost::json::value(to_rfc3339(*at)) : boost::json::value(nullptr);
    };
    return {{"rows", upload.rows},         {"accepted", upload.accepted}, {"repeated", upload.repeated},
            {"expired", upload.expired},   {"bad", upload.bad},           {"bad_rows", std::move(bad)},
            {"first", time(upload.first)}, {"last", time(upload.last)}};
}

}  // namespace

Response add_readings(Call const& call, Backend& backend) {
    auto const upload =
        value_of(call, backend.add_readings(call.file, call.caller.sites, keep<Upload>(call, 200, &written)));
    return json_response(written(upload));
}

Response show_readings(Call const& call, Backend& backend) {
    auto const range = range_of(call.query);
    auto const page = call.query.page(readings_a_page, readings_a_page);
    if (auto const step_s = call.query.integer("step_s", 1, longest_step_s)) {
        auto const steps =
            value_of(call, backend.steps(call.ids[0], range, std::chrono::seconds{*step_s}, page));
        return json_response(document::to_json(steps.items, steps.next));
    }
    auto const readings = value_of(call, backend.readings(call.ids[0], range, page));
    return json_response(document::to_json(readings.items, readings.next));
}

}  // namespace probekeeper::api
