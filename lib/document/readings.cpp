#include "document/readings.h"

#include <algorithm>
#include <utility>

#include "document/number.h"
#include "document/read.h"

namespace probekeeper::document {
namespace {

namespace json = boost::json;

constexpr std::array<std::pair<Mark, std::string_view>, 6> words{{{mark_cleaning, "cleaning"},
                                                                  {mark_aeration, "aeration"},
                                                                  {mark_hold, "hold"},
                                                                  {mark_fault, "fault"},
                                                                  {mark_service, "service"},
                                                                  {mark_out_of_range, "out_of_range"}}};

// One array: what `value_of` makes of each item.
template <typename T, typename ValueOf>
json::array column(std::vector<T> const& items, ValueOf const& value_of) {
    json::array out;
    out.reserve(items.size());
    for (auto const& item : items) {
        out.emplace_back(value_of(item));
    }
    return out;
}

void put_spread(json::object& out, std::string const& name, std::vector<Step> const& steps,
                Spread Step::*quantity) {
    out[name + "_min"] = column(steps, [&](Step const& s) { return number((s.*quantity).min); });
    out[name + "_mean"] = column(steps, [&](Step const& s) { return number((s.*quantity).mean); });
    out[name + "_max"] = column(steps, [&](Step const& s) { return number((s.*quantity).max); });
}

}  // namespace

json::array flags(std::uint16_t marks) {
    json::array out;
    for (auto const& [mark, word] : words) {
        if ((marks & mark) != 0) {
            out.emplace_back(word);
        }
    }
    return out;
}

json::object to_json(Reading const& r) {
    return {{"time", time(r.time)},
            {"do_mg_l", number(r.do_mg_l)},
            {"do_percent", number(r.do_percent)},
            {"temperature_c", number(r.temperature_c)},
            {"flags", flags(r.marks)}};
}

Reading reading_of(json::object const& object) {
    Reading reading;
    reading.time = time_in(object, "time");
    reading.do_mg_l = maybe_number_in(object, "do_mg_l").value_or(not_read);
    reading.do_percent = maybe_number_in(object, "do_percent").value_or(not_read);
    reading.temperature_c = maybe_number_in(object, "temperature_c").value_or(not_read);
    for (auto const& flag : texts_in(object, "flags")) {
        auto const known =
            std::find_if(words.begin(), words.end(), [&](auto const& word) { return word.second == flag; });
        reading.marks =
            static_cast<std::uint16_t>(known != words.end() ? reading.marks | known->first : reading.marks);
    }
    return reading;
}

json::object to_json(std::vector<Reading> const& readings, std::optional<std::string> const& next) {
    json::object out;
    out["time"] = column(readings, [](Reading const& r) { return time(r.time); });
    out["do_mg_l"] = column(readings, [](Reading const& r) { return number(r.do_mg_l); });
    out["do_percent"] = column(readings, [](Reading const& r) { return number(r.do_percent); });
    out["temperature_c"] = column(readings, [](Reading const& r) { return number(r.temperature_c); });
    out["flags"] = column(readings, [](Reading const& r) { return flags(r.marks); });
    out["next"] = text_or_null(next.value_or(""));
    return out;
}

json::object to_json(std::vector<Step> const& steps, std::optional<std::string> const& next) {
    json::object out;
    out["time"] = column(steps, [](Step const& s) { return time(s.start); });
    out["count"] = column(steps, [](Step const& s) { return json::value(s.count); });
    put_spread(out, "do_mg_l", steps, &Step::do_mg_l);
    put_spread(out, "do_percent", steps, &Step::do_percent);
    put_spread(out, "temperature_c", steps, &Step::temperature_c);
    out["next"] = text_or_null(next.value_or(""));
    return out;
}

}  // namespace probekeeper::document
