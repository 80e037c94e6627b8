#include "document/diagnosis.h"

#include <boost/json/parse.hpp>
#include <optional>
#include <string>

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;
using namespace diagnosis;

constexpr double reference_temperature_c = 20.0;  // where T90 values stand, by definition

std::string_view to_word(BackgroundSource s) {
    return s == BackgroundSource::anoxic_floor ? "anoxic_floor" : "dry_zero";
}

std::string_view to_word(SpanSource s) {
    switch (s) {
        case SpanSource::air_exposure:
            return "air_exposure";
        case SpanSource::air_calibration:
            return "air_calibration";
        case SpanSource::reference:
            return "reference";
    }
    return "";
}

json::object written(T90 const& t) {
    return {
        {"value_s", number(t.value_s)},
        {"low_s", number(t.low_s)},
        {"high_s", number(t.high_s)},
        {"fresh_s", number(t.fresh_s)},
        {"fresh", t.fresh_s ? json::value(t.fresh_learned ? "learned" : "assumed") : json::value(nullptr)},
        {"ratio", number(t.ratio)},
        {"tests", t.tests},
        {"at_temperature_c", number(reference_temperature_c)},
        {"at", time(t.at)},
        {"limit_s", number(t.limit_s)}};
}

json::object written(Background const& b) {
    return {{"value_mg_l", number(b.value_mg_l)},
            {"low_mg_l", number(b.low_mg_l)},
            {"high_mg_l", number(b.high_mg_l)},
            {"source", to_word(b.source)},
            {"at", time(b.at)}};
}

json::object written(Fluctuation const& f) {
    return {{"value_mg_l", number(f.value_mg_l)},
            {"fresh_mg_l", number(f.fresh_mg_l)},
            {"ratio", number(f.ratio)},
            {"shared_with_neighbours", number(f.shared_with_neighbours)},
            {"at", time(f.at)}};
}

json::object written(Span const& s) {
    return {{"value_percent", number(s.value_percent)}, {"source", to_word(s.source)}, {"at", time(s.at)}};
}

json::object written(Forecast const& f) {
    return {{"reason", diagnosis::to_word(f.reason)},
            {"due", time(f.due)},
            {"earliest", time(f.earliest)},
            {"latest", time(f.latest)}};
}

json::value yes_no(std::optional<bool> const& b) {
    return b ? json::value(*b) : json::value(nullptr);
}

template <typename Quantity>
void put(json::object& out, std::string_view name, std::optional<Quantity> const& quantity,
         std::string const& why_unknown) {
    if (quantity) {
        out[name] = written(*quantity);
        return;
    }
    out[name] = nullptr;
    out[std::string{name} + "_unknown"] = why_unknown.empty() ? "not known yet" : why_unknown;
}

}  // namespace

json::value ne107(Condition condition) {
    return text_or_null(ne107_of(condition));
}

json::object to_json(Diagnosis const& d, std::string_view probe_id) {
    json::object out{{"probe", probe_id},
                     {"at", time(d.at)},
                     {"condition", diagnosis::to_word(d.condition)},
                     {"ne107", ne107(d.condition)}};
    put(out, "t90", d.t90, d.t90_unknown);
    put(out, "background", d.background, d.background_unknown);
    put(out, "fluctuation", d.fluctuation, d.fluctuation_unknown);
    put(out, "span", d.span, d.span_unknown);
    out["forecast"] = d.forecast ? json::value(written(*d.forecast)) : json::value(nullptr);
    out["next_evidence"] = text_or_null(d.next_evidence);
    out["service_state"] = diagnosis::to_word(d.service_state);
    out[suitability_member] = to_json(d.suitability);
    return out;
}

std::optional<Forecast> forecast_in(std::string_view diagnosis) try {
    auto const parsed = json::parse(diagnosis);
    auto const* const found = parsed.as_object().if_contains("forecast");
    if (found == nullptr || !found->is_object()) {
        return std::nullopt;
    }
    auto const time_of = [&](std::string_view name) {
        return parse_rfc3339(found->as_object().at(name).as_string()).value();
    };
    Forecast forecast;
    forecast.reason = reason_of(found->as_object().at("reason").as_string()).value();
    forecast.due = time_of("due");
    forecast.earliest = time_of("earliest");
    forecast.latest = found->as_object().at("latest").is_null() ? Timestamp::max() : time_of("latest");
    return forecast;
} catch (std::exception const&) {  // an older version's document may be another
    return std::nullopt;
}

json::object to_json(Suitability const& s) {
    json::array reasons;
    for (auto const& r : s.reasons) {
        reasons.push_back(json::object{{"reason", diagnosis::to_word(r.reason)},
                                       {"possible", r.why_not.empty()},
                                       {"why_not", text_or_null(r.why_not)}});
    }
    return {{"reading_interval_s", number(s.reading_interval_s)},
            {"update_interval_s", number(s.update_interval_s)},
            {"resolution_mg_l", number(s.resolution_mg_l)},
            {"clips_at_zero", yes_no(s.clips_at_zero)},
            {"clips_at_mg_l", number(s.clips_at_mg_l)},
            {"frozen_while_cleaning", yes_no(s.frozen_while_cleaning)},
            {"damping_s", number(s.damping_s)},
            {"bits",
             {{"cleaning", diagnosis::to_word(s.cleaning)},
              {"aeration", diagnosis::to_word(s.aeration)},
              {"hold", diagnosis::to_word(s.hold)},
              {"fault", diagnosis::to_word(s.fault)}}},
            {"reasons", std::move(reasons)}};
}

json::object to_json(ResponseTest const& t) {
    return {{"time", time(t.time)},
            {"source", diagnosis::to_word(t.source)},
            {"model", diagnosis::to_word(t.model)},
            {"t90_s", number(t.t90_s)},
            {"low_s", number(t.low_s)},
            {"high_s", number(t.high_s)},
            {"at_temperature_c", number(t.at_temperature_c)},
            {"t90_20_s", number(t.t90_20_s)},
            {"used", t.used},
            {"set_aside", text_or_null(t.set_aside)}};
}

std::optional<ResponseTest> response_test_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        ResponseTest test;
        test.time = time_in(object, "time");
        test.source = word_in(object, "source", by_word(TestSource::neighbour));
        test.model = word_in(object, "model", by_word(ResponseModel::membrane));
        test.t90_s = number_in(object, "t90_s");
        test.low_s = number_in(object, "low_s");
        test.high_s = number_in(object, "high_s");
        test.at_temperature_c = maybe_number_in(object, "at_temperature_c");
        test.t90_20_s = number_in(object, "t90_20_s");
        test.used = object.at("used").as_bool();
        test.set_aside = text_in(object, "set_aside");
        return test;
    });
}

}  // namespace probekeeper::document
