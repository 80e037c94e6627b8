#include "hub/teller.h"

#include <spdlog/fmt/fmt.h>

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <cmath>

#include "document/diagnosis.h"
#include "document/number.h"
#include "document/out_of_use.h"
#include "document/probe.h"
#include "document/record.h"
#include "document/site.h"
#include "document/ticket.h"
#include "fleet/write.h"

namespace probekeeper::hub {

namespace {

namespace json = boost::json;

constexpr Millis minute{60'000};
constexpr std::size_t minutes_most = 60;

constexpr std::array<char const*, store::quantity_count> quantities{
    "do_mg_l", "do_percent", "temperature_c", "salinity_psu", "pressure_hpa", "airflow"};

// A sum of up to thousands of values of six digits: what it is beyond ten is of no use to anybody, and has to
// be sent.
double rounded_sum(double sum) {
    if (sum == 0.0 || !std::isfinite(sum)) {
        return sum;
    }
    auto const scale = std::pow(10.0, 9.0 - std::floor(std::log10(std::abs(sum))));
    return std::round(sum * scale) / scale;
}

void add_quantity(json::object& row, std::vector<store::Step> const& minutes, std::size_t quantity) {
    json::array counts, least, sums, greatest;
    bool any = false;
    for (auto const& m : minutes) {
        auto const& spread = m.quantities[quantity];
        bool const read = spread.count > 0;
        any = any || read;
        counts.emplace_back(spread.count);
        least.push_back(document::number(spread.min));
        sums.emplace_back(read ? json::value(rounded_sum(spread.mean * static_cast<double>(spread.count)))
                               : json::value(nullptr));
        greatest.push_back(document::number(spread.max));
    }
    if (any) {
        std::string const name = quantities[quantity];
        row[name + "_count"] = std::move(counts);
        row[name + "_min"] = std::move(least);
        row[name + "_sum"] = std::move(sums);
        row[name + "_max"] = std::move(greatest);
    }
}

}  // namespace

void Teller::tell_site(store::Fact const& fact, Batch& batch) {
    auto const index = fleet_.find_site(fact.site);
    if (!index) {
        return;
    }
    auto const site = backend_.site(fact.site);
    if (!site) {
        throw NotNow{};
    }
    batch.add(Kind::site, {{"site_id", fact.site},
                           {"document", document::to_json(*site)},
                           {"configuration", fleet::site_as_toml(fleet_, *index)}});
    json::array stay;
    for (auto const& probe : fleet_.probes) {
        if (probe.site == *index) {
            stay.emplace_back(probe.id);
        }
    }
    batch.add(Kind::retired, {{"site_id", fact.site}, {"stay", std::move(stay)}});
}

void Teller::tell_probe(store::Fact const& fact, Batch& batch) {
    auto const probe = backend_.probe(fact.probe);
    if (!probe) {
        if (probe.error().kind == api::Refusal::Kind::not_found) {
            return;  // it is not configured any more
        }
        throw NotNow{};
    }
    json::object row{
        {"site_id", fact.site}, {"probe_id", fact.probe}, {"document", document::to_json(*probe)}};
    if (auto const newest = store::must(reader_.newest_diagnosis(fact.probe))) {
        row["diagnosis"] = newest->document;
        row["diagnosis_at"] = to_rfc3339(newest->at);
    }
    batch.add(Kind::probe, row);
}

void Teller::tell(store::Fact const& fact, Batch& batch) {
    auto const at = from_unix_ms(fact.number);
    auto const numbered = [&](json::object document) {
        return json::object{
            {"site_id", fact.site}, {"number", fact.number}, {"document", std::move(document)}};
    };
    switch (fact.kind) {
        case store::FactKind::site:
            return tell_site(fact, batch);
        case store::FactKind::probe:
            return tell_probe(fact, batch);
        case store::FactKind::ticket:
            if (auto const found =
                    store::must(reader_.ticket(fmt::format("{}-{}", fact.site, fact.number)))) {
                batch.add(Kind::ticket, numbered(document::to_json(*found)));
            }
            return;
        case store::FactKind::record:
            if (auto const found = store::must(reader_.service_record(fact.number))) {
                batch.add(Kind::record, numbered(document::to_json(*found)));
            }
            return;
        case store::FactKind::parked:
            if (auto const found = store::must(reader_.out_of_use(fact.number))) {
                batch.add(Kind::parked, numbered(document::to_json(*found)));
            }
            return;
        case store::FactKind::diagnosis:
            for (auto const& d :
                 store::must(reader_.diagnoses(fact.probe, at, at + Millis{1}, {1, std::nullopt})).items) {
                batch.add(Kind::diagnosis, {{"site_id", fact.site},
                                            {"probe_id", fact.probe},
                                            {"at", to_rfc3339(d.at)},
                                            {"condition", diagnosis::to_word(d.condition)},
                                            {"document", d.document}});
            }
            return;
        case store::FactKind::test:
            if (auto const found = store::must(reader_.response_test(fact.probe, at, fact.detail))) {
                batch.add(Kind::test, {{"site_id", fact.site},
                                       {"probe_id", fact.probe},
                                       {"time", to_rfc3339(at)},
                                       {"source", fact.detail},
                                       {"document", document::to_json(*found)}});
            }
            return;
        case store::FactKind::rewind:
            batch.rewind(fact.site, at);
            return;
        case store::FactKind::event:
            for (auto const& e : store::must(reader_.events_after(fact.number - 1, 1))) {
                if (e.id == fact.number) {
                    batch.add(Kind::event, {{"site_id", fact.site},
                                            {"at", to_rfc3339(e.at)},
                                            {"kind", e.kind},
                                            {"data", e.data},
                                            {"site_event", e.id}});
                }
            }
            return;
        case store::FactKind::outcome:
            if (auto const found = store::must(reader_.step_outcome(fact.site, fact.detail))) {
                batch.add(Kind::outcome, {{"site_id", fact.site},
                                          {"id", fact.detail},
                                          {"at", to_rfc3339(found->at)},
                                          {"status", found->status},
                                          {"content_type", found->content_type},
                                          {"body", found->body}});
            }
            return;
    }
}

void Teller::tell(store::WaitingHour const& hour, Batch& batch) {
    auto const minutes = store::must(reader_.steps(hour.probe, hour.start, hour.start + 60 * minute, minute,
                                                   {minutes_most, std::nullopt}))
                             .items;
    if (minutes.empty()) {
        return;
    }
    json::array places, counts, marks;
    for (auto const& m : minutes) {
        places.emplace_back((m.start - hour.start) / minute);
        counts.emplace_back(m.count);
        marks.emplace_back(m.marks);
    }
    json::object row{{"site_id", hour.site},           {"probe_id", hour.probe},
                     {"hour", to_rfc3339(hour.start)}, {"minutes", std::move(places)},
                     {"counts", std::move(counts)},    {"marks", std::move(marks)}};
    for (std::size_t quantity = 0; quantity < store::quantity_count; ++quantity) {
        add_quantity(row, minutes, quantity);
    }
    batch.add(Kind::summary, row);
}

}  // namespace probekeeper::hub
