#include "truth.h"

#include <spdlog/fmt/fmt.h>

#include <boost/json.hpp>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace probekeeper::backtest {
namespace {

namespace json = boost::json;

json::array words(std::vector<std::string> const& list) {
    return json::array(list.begin(), list.end());
}

std::vector<std::string> words_of(json::value const& value) {
    return json::value_to<std::vector<std::string>>(value);
}

Timestamp time_of(json::value const& value) {
    auto const text = json::value_to<std::string>(value);
    auto const time = parse_rfc3339(text);
    if (!time) {
        throw std::runtime_error(fmt::format("not a time: '{}'", text));
    }
    return *time;
}

json::object to_json(Fault const& f) {
    return {{"kind", f.kind},
            {"named_by", words(f.named_by)},
            {"also_true", words(f.also_true)},
            {"crossing", to_rfc3339(f.crossing)},
            {"visible", to_rfc3339(f.visible)}};
}

json::object to_json(ProbeTruth const& p) {
    json::array course;
    for (auto const& state : p.course) {
        course.push_back(json::object{{"at", to_rfc3339(state.at)},
                                      {"t90_20_s", state.t90_20_s},
                                      {"background_mg_l", state.background_mg_l}});
    }
    json::array faults;
    for (auto const& f : p.faults) {
        faults.push_back(to_json(f));
    }
    return {{"id", p.id},
            {"fleet", p.fleet},
            {"poll_s", p.poll_s},
            {"clean", p.faults.empty()},
            {"testable", p.testable},
            {"t90_limit_ratio", p.t90_limit_ratio},
            {"fresh_t90_20_s", p.fresh_t90_20_s},
            {"configured_t90_s", p.configured_t90_s},
            {"faults", faults},
            {"confusers", words(p.confusers)},
            {"service", p.service ? json::value{{"at", to_rfc3339(p.service->at)},
                                                {"kind", p.service->kind},
                                                {"good", p.service->good}}
                                  : json::value(nullptr)},
            {"course", course}};
}

Fault fault_of(json::value const& v) {
    return {.kind = json::value_to<std::string>(v.at("kind")),
            .named_by = words_of(v.at("named_by")),
            .also_true = words_of(v.at("also_true")),
            .crossing = time_of(v.at("crossing")),
            .visible = time_of(v.at("visible")),
            .seen_in = SeenIn::readings};
}

ProbeTruth probe_of(json::value const& v) {
    ProbeTruth p;
    p.id = json::value_to<std::string>(v.at("id"));
    p.fleet = json::value_to<std::string>(v.at("fleet"));
    p.poll_s = v.at("poll_s").to_number<double>();
    p.testable = v.at("testable").as_bool();
    p.t90_limit_ratio = v.at("t90_limit_ratio").to_number<double>();
    p.fresh_t90_20_s = v.at("fresh_t90_20_s").to_number<double>();
    p.configured_t90_s = v.at("configured_t90_s").to_number<double>();
    p.confusers = words_of(v.at("confusers"));
    // Truths from before there were services have none.
    if (auto const* service = v.as_object().if_contains("service");
        service != nullptr && !service->is_null()) {
        p.service = ServiceTruth{.at = time_of(service->at("at")),
                                 .kind = json::value_to<std::string>(service->at("kind")),
                                 .good = service->at("good").as_bool()};
    }
    for (auto const& fault : v.at("faults").as_array()) {
        p.faults.push_back(fault_of(fault));
    }
    for (auto const& s : v.at("course").as_array()) {
        p.course.push_back({.at = time_of(s.at("at")),
                            .t90_20_s = s.at("t90_20_s").to_number<double>(),
                            .background_mg_l = s.at("background_mg_l").to_number<double>()});
    }
    return p;
}

}  // namespace

void write_truth(std::filesystem::path const& file, FleetTruth const& truth) {
    std::ofstream out{file};
    out << "{\"fleet\":" << json::serialize(json::value(truth.fleet)) << ",\"seed\":" << truth.seed
        << ",\"start\":\"" << to_rfc3339(truth.start) << "\",\"end\":\"" << to_rfc3339(truth.end)
        << "\",\"probes\":[\n";
    for (std::size_t i = 0; i < truth.probes.size(); ++i) {
        out << json::serialize(to_json(truth.probes[i])) << (i + 1 < truth.probes.size() ? ",\n" : "\n");
    }
    out << "]}\n";
}

FleetTruth read_truth(std::filesystem::path const& file) {
    std::ifstream in{file};
    std::stringstream text;
    text << in.rdbuf();
    try {
        auto const v = json::parse(text.str());
        FleetTruth truth;
        truth.fleet = json::value_to<std::string>(v.at("fleet"));
        truth.seed = v.at("seed").to_number<std::uint64_t>();
        truth.start = time_of(v.at("start"));
        truth.end = time_of(v.at("end"));
        for (auto const& probe : v.at("probes").as_array()) {
            truth.probes.push_back(probe_of(probe));
        }
        return truth;
    } catch (std::exception const& e) {
        throw std::runtime_error(fmt::format("{}: not a truth file: {}", file.string(), e.what()));
    }
}

}  // namespace probekeeper::backtest
