#include "fleet/write.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/date.h"
#include "fleet/written.h"

namespace probekeeper::fleet {

namespace {

std::string toml_text(std::string_view text) {
    std::string out = "\"";
    for (char const c : text) {
        auto const code = static_cast<unsigned char>(c);
        if (c == '"' || c == '\\') {
            out += '\\';
            out += c;
        } else if (code < 0x20 || code == 0x7F) {
            out += fmt::format("\\u{:04X}", code);
        } else {
            out += c;
        }
    }
    return out + '"';
}

template <typename Items, typename Written>
std::string list(Items const& items, Written const& written) {
    std::string out = "[";
    for (auto const& item : items) {
        out += out.size() > 1 ? ", " : "";
        out += toml_text(written(item));
    }
    return out + "]";
}

class Table {
public:
    explicit Table(std::string const& name) : text_{name + "\n"} {}

    void text(char const* key, std::string_view value) {
        if (!value.empty()) {
            raw(key, toml_text(value));
        }
    }
    void number(char const* key, double value) { raw(key, fmt::format("{}", value)); }
    void number(char const* key, std::optional<double> const& value) {
        if (value) {
            number(key, *value);
        }
    }
    void raw(char const* key, std::string const& value) { text_ += fmt::format("{} = {}\n", key, value); }
    [[nodiscard]] std::string const& text() const { return text_; }

private:
    std::string text_;
};

std::string hours_text(HourSpan const& span) {
    return fmt::format("{:02}:{:02}-{:02}:{:02}", span.from / 60, span.from % 60, span.to / 60, span.to % 60);
}

std::string days_text(DaySpan const& span) {
    return fmt::format("{}/{}", to_text(span.first), to_text(span.last));
}

std::string span_text(TimeSpan const& span) {
    return fmt::format("{}/{}", to_rfc3339(span.from), to_rfc3339(span.to));
}

std::string windows_text(SiteAccess const& access) {
    std::string out = "{";
    for (std::size_t day = 0; day < weekday_names.size(); ++day) {
        out += fmt::format("{} {} = {}", day > 0 ? "," : "", weekday_names[day],
                           list(access.windows[day], hours_text));
    }
    return out + " }";
}

std::string access_table(SiteAccess const& access) {
    auto const plain = [](std::string const& word) { return word; };
    Table table{"[site.access]"};
    table.text("biosecurity", to_word(access.biosecurity));
    table.raw("windows", windows_text(access));
    table.raw("closed", list(access.closed, days_text));
    table.raw("only", list(access.only, span_text));
    table.number("notice_hours", access.notice_hours);
    table.number("sign_in_minutes", access.sign_in_minutes);
    table.raw("skills", list(access.skills, plain));
    table.raw("two_person", access.two_person ? "true" : "false");
    if (access.check_days) {
        table.raw("check_days", std::to_string(*access.check_days));
    }
    return table.text();
}

std::string site_table(Site const& site) {
    Table table{"[[site]]"};
    table.text("id", site.id);
    table.text("name", site.name);
    table.text("kind", to_word(site.kind));
    table.number("latitude", site.latitude);
    table.number("longitude", site.longitude);
    table.number("altitude_m", site.altitude_m);
    table.number("salinity_psu", site.salinity_psu);
    table.number("pressure_hpa", site.pressure_hpa);
    table.text("time_zone", site.time_zone);
    table.text("address", site.address);
    table.text("access_notes", site.access_notes);
    return table.text() + access_table(site.access);
}

std::string probe_table(Fleet const& fleet, Probe const& probe) {
    Table table{"\n[[probe]]"};
    table.text("id", probe.id);
    table.text("site", fleet.sites[probe.site].id);
    table.text("location", probe.location);
    table.text("use", to_word(probe.use));
    table.text("serial", probe.serial);
    table.text("membrane", probe.membrane);
    table.number("poll_s", probe.poll_s);
    table.number("t90_s", probe.t90_s);
    table.number("salinity_psu", probe.salinity_psu);
    table.number("transmitter_salinity_psu", probe.transmitter_salinity_psu);
    table.raw("neighbours", list(probe.neighbours, [&](ProbeIndex i) { return fleet.probes[i].id; }));
    Table limits{"[probe.limits]"};
    for_each_limit(probe.limits, [&](std::string_view name, double value) {
        limits.number(std::string{name}.c_str(), value);
    });
    return table.text() + limits.text();
}

}  // namespace

std::string site_as_toml(Fleet const& fleet, SiteIndex site) {
    auto text = site_table(fleet.sites[site]);
    for (auto const& probe : fleet.probes) {
        if (probe.site == site) {
            text += probe_table(fleet, probe);
        }
    }
    return text;
}

}  // namespace probekeeper::fleet
