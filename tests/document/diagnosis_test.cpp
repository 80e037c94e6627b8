#include "document/diagnosis.h"

#include <boost/json/serialize.hpp>
#include <catch2/catch.hpp>

#include "document/write.h"

namespace json = boost::json;
using namespace probekeeper;

namespace {

// The diagnosis that the interface shows.
diagnosis::Diagnosis slow_probe() {
    auto const at = parse_rfc3339("2026-03-01T06:00:00Z").value();
    diagnosis::Diagnosis d;
    d.at = at;
    d.condition = diagnosis::Condition::maintenance_required;
    d.t90 = diagnosis::T90{92.099999994, 84.0, 101.3, 41.0, true, 2.2463414634, 82.0, 14, at};
    d.background = diagnosis::Background{0.03, 0.01, 0.05, diagnosis::BackgroundSource::anoxic_floor, at};
    d.fluctuation = diagnosis::Fluctuation{0.021, 0.018, 1.17, 0.1, at};
    d.span = diagnosis::Span{101.2, diagnosis::SpanSource::air_exposure, at};
    d.forecast =
        diagnosis::Forecast{diagnosis::Reason::slow_response, at + days(5), at + days(3), at + days(9)};
    return d;
}

}  // namespace

TEST_CASE("a diagnosis is written as the interface shows it, in its order", "[document]") {
    auto shown = document::to_json(slow_probe(), "saltmarsh-tank-1");
    shown.erase(document::suitability_member);  // added to it; shown below
    CHECK(
        document::write(shown) ==
        R"({"probe":"saltmarsh-tank-1","at":"2026-03-01T06:00:00.000Z","condition":"maintenance_required",)"
        R"("ne107":"M","t90":{"value_s":92.1,"low_s":84.0,"high_s":101.3,"fresh_s":41.0,"fresh":"learned",)"
        R"("ratio":2.24634,"tests":14,"at_temperature_c":20.0,"at":"2026-03-01T06:00:00.000Z","limit_s":82.0},)"
        R"("background":{"value_mg_l":0.03,"low_mg_l":0.01,"high_mg_l":0.05,"source":"anoxic_floor",)"
        R"("at":"2026-03-01T06:00:00.000Z"},"fluctuation":{"value_mg_l":0.021,"fresh_mg_l":0.018,"ratio":1.17,)"
        R"("shared_with_neighbours":0.1,"at":"2026-03-01T06:00:00.000Z"},"span":{"value_percent":101.2,)"
        R"("source":"air_exposure","at":"2026-03-01T06:00:00.000Z"},"forecast":{"reason":"slow_response",)"
        R"("due":"2026-03-06T06:00:00.000Z","earliest":"2026-03-04T06:00:00.000Z",)"
        R"("latest":"2026-03-10T06:00:00.000Z"},"next_evidence":null,"service_state":"in_service"})");
}

TEST_CASE("what a position can tell is written with what is not learned yet as null", "[document]") {
    diagnosis::Suitability s;
    s.reading_interval_s = 5.0;
    s.update_interval_s = 10.0;
    s.clips_at_zero = true;
    s.cleaning = diagnosis::BitHabit::moves;
    s.aeration = diagnosis::BitHabit::never_moves;
    s.reasons = {{diagnosis::Reason::slow_response, ""}, {diagnosis::Reason::background, "never anoxic"}};
    CHECK(document::write(document::to_json(s)) ==
          R"({"reading_interval_s":5.0,"update_interval_s":10.0,"resolution_mg_l":null,"clips_at_zero":true,)"
          R"("clips_at_mg_l":null,"frozen_while_cleaning":null,"damping_s":null,)"
          R"("bits":{"cleaning":"moves","aeration":"never_moves","hold":"not_read","fault":"not_read"},)"
          R"("reasons":[{"reason":"slow_response","possible":true,"why_not":null},)"
          R"({"reason":"background","possible":false,"why_not":"never anoxic"}]})");
}

TEST_CASE("a quantity that is not known is null, and says why beside it", "[document]") {
    diagnosis::Diagnosis d;
    d.t90_unknown = "no usable test yet";
    d.background_unknown = "the water never goes anoxic";
    d.next_evidence = "lift five minutes into air";
    auto const out = document::to_json(d, "p1");
    CHECK(out.at("t90").is_null());
    CHECK(out.at("t90_unknown") == "no usable test yet");
    CHECK(out.at("background").is_null());
    CHECK(out.at("background_unknown") == "the water never goes anoxic");
    CHECK(out.at("span").is_null());
    CHECK(out.at("span_unknown") == "not known yet");
    CHECK(out.at("forecast").is_null());
    CHECK(out.at("condition") == "unknown");
    CHECK(out.at("ne107").is_null());
    CHECK(out.at("next_evidence") == "lift five minutes into air");
}

TEST_CASE("a known quantity has no sibling that says why it is unknown", "[document]") {
    auto const out = document::to_json(slow_probe(), "p1");
    for (auto const* name : {"t90_unknown", "background_unknown", "fluctuation_unknown", "span_unknown"}) {
        CHECK_FALSE(out.contains(name));
    }
}

TEST_CASE("without a fresh value there is neither a ratio nor a word on where it came from", "[document]") {
    auto d = slow_probe();
    d.t90->fresh_s.reset();
    d.t90->ratio.reset();
    auto const t90 = document::to_json(d, "p1").at("t90").as_object();
    CHECK(t90.at("fresh_s").is_null());
    CHECK(t90.at("fresh").is_null());
    CHECK(t90.at("ratio").is_null());
    d.t90->fresh_s = 40.0;
    d.t90->fresh_learned = false;
    CHECK(document::to_json(d, "p1").at("t90").at("fresh") == "assumed");
}

TEST_CASE("a response test that was set aside says why", "[document]") {
    diagnosis::ResponseTest test;
    test.time = from_unix_ms(0);
    test.source = diagnosis::TestSource::aeration_off;
    test.model = diagnosis::ResponseModel::membrane;
    test.t90_s = 55.5;
    test.set_aside = "the water moved";
    CHECK(document::write(document::to_json(test)) ==
          R"({"time":"1970-01-01T00:00:00.000Z","source":"aeration_off","model":"membrane","t90_s":55.5,)"
          R"("low_s":0.0,"high_s":0.0,"at_temperature_c":null,"t90_20_s":0.0,"used":false,)"
          R"("set_aside":"the water moved"})");
    test.used = true;
    test.set_aside.clear();
    CHECK(document::to_json(test).at("set_aside").is_null());
}

TEST_CASE("a forecast is read out of a diagnosis again, and nothing where there is none", "[document]") {
    auto d = slow_probe();
    auto const found = document::forecast_in(document::write(document::to_json(d, "p")));
    REQUIRE(found);
    CHECK(found->reason == diagnosis::Reason::slow_response);
    CHECK(found->due == d.forecast->due);
    CHECK(found->earliest == d.forecast->earliest);
    CHECK(found->latest == d.forecast->latest);
    d.forecast.reset();
    CHECK_FALSE(document::forecast_in(document::write(document::to_json(d, "p"))));
    for (auto const* wrong :
         {"", "{}", "[]", R"({"forecast":{}})", R"({"forecast":{"reason":"x","due":1}})"}) {
        CHECK_FALSE(document::forecast_in(wrong));
    }
}
