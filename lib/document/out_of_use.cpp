#include "document/out_of_use.h"

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;
using service::OutOfUse;

constexpr std::size_t longest_name = 200;

std::string name_or(std::string const& given, std::string const& otherwise) {
    return given.empty() ? otherwise : given;
}

}  // namespace

json::object to_json(OutOfUse const& told) {
    return {{"number", told.number},
            {"site", told.site},
            {"probe", text_or_null(told.probe.value_or(""))},
            {"from", time(told.from)},
            {"until", time(told.until)},
            {"why", told.why},
            {"by", text_or_null(told.by)},
            {"told_at", time(told.told_at)},
            {"ended_by", text_or_null(told.ended_by)}};
}

std::optional<OutOfUse> out_of_use_of(std::string_view text) {
    return read_document(text, [](json::object const& object) {
        OutOfUse told;
        told.number = object.at("number").to_number<std::int64_t>();
        told.site = text_in(object, "site");
        told.probe = maybe_text_in(object, "probe");
        told.from = time_in(object, "from");
        told.until = maybe_time_in(object, "until");
        told.why = text_in(object, "why");
        told.by = text_in(object, "by");
        told.told_at = time_in(object, "told_at");
        told.ended_by = text_in(object, "ended_by");
        return told;
    });
}

Parsed<OutOfUse> parse_out_of_use(json::object const& body, Timestamp now, std::string const& caller) {
    Fields fields{body, {"from", "until", "why", "by"}};
    OutOfUse told;
    told.from = fields.time("from").value_or(now);
    told.until = fields.time("until");
    told.why = fields.required_text("why");
    told.by = name_or(fields.text("by", longest_name), caller);
    if (told.until && *told.until <= told.from) {
        fields.refuse("until", "must lie after from, which is " + to_rfc3339(told.from));
    }
    if (!fields.errors().empty()) {
        return fields.errors();
    }
    return told;
}

Parsed<OutOfUse> parse_back_in_use(json::object const& body, Timestamp now, std::string const& caller) {
    Fields fields{body, {"until", "by"}};
    OutOfUse end;
    end.until = fields.time("until").value_or(now);
    end.ended_by = name_or(fields.text("by", longest_name), caller);
    if (!fields.errors().empty()) {
        return fields.errors();
    }
    return end;
}

}  // namespace probekeeper::document
