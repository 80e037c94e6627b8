#include "document/lessons.h"

#include "document/number.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

json::value water(std::optional<fleet::SiteKind> const& kind) {
    return kind ? json::value(fleet::to_word(*kind)) : json::value(nullptr);
}

json::value text(std::optional<std::string> const& text) {
    return text_or_null(text.value_or(""));
}

json::value how_ended(service::MembraneLife const& life) {
    return !life.ended ? json::value(nullptr) : json::value(life.worn() ? "worn" : "by_plan");
}

template <typename List>
json::array array_of(List const& list, auto const& form) {
    json::array out;
    for (auto const& item : list) {
        out.emplace_back(form(item));
    }
    return out;
}

json::object written(estimate::SurvivalStep const& step) {
    return {{"days", number(step.length)},       {"at_risk", step.at_risk}, {"worn", step.ended},
            {"survival", number(step.survival)}, {"low", number(step.low)}, {"high", number(step.high)}};
}

json::object written(estimate::Weibull const& w) {
    return {{"shape", number(w.shape)},
            {"scale_days", number(w.scale)},
            {"ln_shape_error", number(w.ln_shape_error)},
            {"ln_scale_error", number(w.ln_scale_error)},
            {"median_days", number(w.quantile(0.5))}};
}

json::object written(service::PartNeed const& need) {
    return {{"part", need.part},
            {"kind", text_or_null(need.kind)},
            {"asked_for", number(need.asked_for)},
            {"expected", number(need.expected)},
            {"stock", need.stock}};
}

json::array parts(std::vector<service::PartNeed> const& needs) {
    return array_of(needs, [](service::PartNeed const& need) { return written(need); });
}

}  // namespace

json::object to_json(service::ReasonTally const& tally) {
    auto const interval = tally.right_interval();
    return {{"reason", diagnosis::to_word(tally.reason)},
            {"site", text(tally.site)},
            {"kind", water(tally.kind)},
            {"closed", tally.closed()},
            {"looked", tally.looked()},
            {"as_diagnosed", tally.as_diagnosed},
            {"other_fault", tally.other_fault},
            {"no_fault_found", tally.no_fault_found},
            {"not_looked", tally.not_looked},
            {"right", number(tally.right())},
            {"low", interval ? number(interval->first) : json::value(nullptr)},
            {"high", interval ? number(interval->second) : json::value(nullptr)}};
}

json::object to_json(service::MembraneLife const& life) {
    return {
        {"serial", text_or_null(life.serial)},
        {"probe", life.probe},
        {"site", text_or_null(life.site)},
        {"membrane", text_or_null(life.kind)},
        {"kind", fleet::to_word(life.water)},
        {"installed", time(life.installed)},
        {"ended", time(life.ended)},
        {"end", how_ended(life)},
        {"reason", life.ended_by ? json::value(diagnosis::to_word(*life.ended_by)) : json::value(nullptr)},
        {"days", number(life.days)},
        {"wipes", life.wipes}};
}

json::object to_json(service::LifeStatistics const& s) {
    return {{"kind", water(s.water)},
            {"membrane", text(s.kind)},
            {"site", text(s.site)},
            {"lives", s.lives},
            {"worn", s.worn},
            {"by_plan", s.by_plan},
            {"in_use", s.in_use},
            {"median_days", number(s.median_days)},
            {"curve", array_of(s.curve, [](auto const& step) { return written(step); })},
            {"weibull", written(s.weibull)}};
}

json::object to_json(service::PartsDemand const& demand) {
    return {{"weeks", array_of(demand.weeks,
                               [](service::WeekNeed const& week) {
                                   return json::object{{"from", time(week.from)},
                                                       {"until", time(week.until)},
                                                       {"parts", parts(week.parts)}};
                               })},
            {"total", parts(demand.total)},
            {"unknown_age", demand.unknown_age}};
}

}  // namespace probekeeper::document
