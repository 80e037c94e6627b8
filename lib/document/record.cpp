#include "document/record.h"

#include <array>

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;
using service::Record;

// What an instrument can show; outside lies a slip of the pen or the wrong unit. The same as in the CSV.
struct Column {
    std::string_view name;
    std::optional<double> Record::*member;
    double lowest, highest;
};
constexpr std::array<Column, 7> numbers{{{"dry_zero_mg_l", &Record::dry_zero_mg_l, -8.0, 60.0},
                                         {"dry_zero_found_mg_l", &Record::dry_zero_found_mg_l, -8.0, 60.0},
                                         {"air_percent", &Record::air_percent, 0.0, 400.0},
                                         {"reference_mg_l", &Record::reference_mg_l, 0.0, 60.0},
                                         {"reference_percent", &Record::reference_percent, 0.0, 400.0},
                                         {"probe_mg_l", &Record::probe_mg_l, -8.0, 60.0},
                                         {"pressure_hpa", &Record::pressure_hpa, 500.0, 1100.0}}};

struct Text {
    std::string_view name;
    std::string Record::*member;
};
constexpr std::array<Text, 4> texts{
    {{"serial", &Record::serial}, {"visit", &Record::visit}, {"by", &Record::by}, {"note", &Record::note}}};

std::vector<std::string_view> kinds() {
    std::vector<std::string_view> out;
    for (int i = 0; i <= static_cast<int>(service::Work::inspection); ++i) {
        out.push_back(service::to_word(static_cast<service::Work>(i)));
    }
    return out;
}

json::value voided(service::KeptRecord const& kept) {
    if (!kept.voided_at) {
        return nullptr;
    }
    return json::object{{"at", time(*kept.voided_at)},
                        {"why", text_or_null(kept.void_why)},
                        {"by", text_or_null(kept.void_by)}};
}

}  // namespace

json::object to_json(service::KeptRecord const& kept) {
    auto const& r = kept.record;
    json::object out{{"record", kept.number},
                     {"time", time(r.time)},
                     {"probe", r.probe},
                     {"kind", service::to_word(r.kind)}};
    for (auto const& column : numbers) {
        out[column.name] = exact_number(r.*column.member);
    }
    for (auto const& text : texts) {
        out[text.name] = text_or_null(r.*text.member);
    }
    out["voided"] = voided(kept);
    return out;
}

std::optional<service::KeptRecord> record_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        service::KeptRecord kept;
        kept.number = object.at("record").to_number<std::int64_t>();
        kept.record.time = time_in(object, "time");
        kept.record.probe = text_in(object, "probe");
        kept.record.kind = word_in(object, "kind", service::work_of);
        for (auto const& column : numbers) {
            kept.record.*column.member = maybe_number_in(object, column.name);
        }
        for (auto const& column : texts) {
            kept.record.*column.member = text_in(object, column.name);
        }
        if (auto const& voided = object.at("voided"); !voided.is_null()) {
            kept.voided_at = time_in(voided.as_object(), "at");
            kept.void_why = text_in(voided.as_object(), "why");
            kept.void_by = text_in(voided.as_object(), "by");
        }
        return kept;
    });
}

Parsed<Record> parse_record(json::object const& body, std::string const& probe, Timestamp now) {
    Fields fields{
        body,
        {"time", "probe", "kind", "dry_zero_mg_l", "dry_zero_found_mg_l", "air_percent", "reference_mg_l",
         "reference_percent", "probe_mg_l", "pressure_hpa", "serial", "visit", "by", "note"}};
    Record record;
    record.probe = probe;
    record.time = fields.time("time").value_or(now);
    record.kind = service::work_of(fields.required_word("kind", kinds())).value_or(service::Work::inspection);
    for (auto const& column : numbers) {
        record.*column.member = fields.number(column.name, column.lowest, column.highest);
    }
    for (auto const& text : texts) {
        record.*text.member = fields.text(text.name);
    }
    auto const named = fields.text("probe");
    if (!named.empty() && named != probe) {
        fields.refuse("probe", "is " + shown(named) + ", and the address names " + shown(probe));
    }
    if (!fields.errors().empty()) {
        return fields.errors();
    }
    return record;
}

}  // namespace probekeeper::document
