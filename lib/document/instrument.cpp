#include "document/instrument.h"

#include "document/lessons.h"
#include "document/number.h"

namespace probekeeper::document {

namespace json = boost::json;

json::object to_json(Instrument const& instrument) {
    json::array stays;
    for (auto const& stay : instrument.stays) {
        stays.emplace_back(json::object{{"probe", text_or_null(stay.probe)},
                                        {"site", text_or_null(stay.site)},
                                        {"from", time(stay.from)},
                                        {"until", time(stay.until)}});
    }
    auto const& now = instrument.stays.back();
    json::object out{{"serial", instrument.serial},
                     {"probe", text_or_null(now.probe)},
                     {"site", text_or_null(now.site)},
                     {"stays", std::move(stays)}};
    if (!instrument.whole) {
        return out;
    }
    json::array membranes, responses;
    for (auto const& life : instrument.membranes) {
        membranes.emplace_back(to_json(life));
    }
    for (auto const& day : instrument.responses) {
        responses.emplace_back(json::object{{"day", time(day.day)},
                                            {"probe", day.probe},
                                            {"t90_20_s", number(day.t90_20_s)},
                                            {"tests", day.tests}});
    }
    out["membranes"] = std::move(membranes);
    out["responses"] = std::move(responses);
    return out;
}

}  // namespace probekeeper::document
