#include "fleet/resolve.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>
#include <tuple>

#include "base/text.h"

namespace probekeeper::fleet {
namespace {

// Brings items into the order of their ids; one without an id, or with the id of an earlier one, is left out.
template <typename Item>
void sort_by_id(std::vector<Item>& items, std::string_view kind, Problems& problems) {
    std::stable_sort(items.begin(), items.end(), [](Item const& a, Item const& b) {
        return (a.id ? a.id->value : "") < (b.id ? b.id->value : "");
    });
    std::vector<Item> kept;
    for (auto& item : items) {
        if (!item.id) {
            continue;
        }
        if (!kept.empty() && kept.back().id->value == item.id->value) {
            problems.add(item.id->where,
                         fmt::format("id \"{}\" is already that of the {} at {}", item.id->value, kind,
                                     problems.shown(kept.back().id->where)));
            continue;
        }
        kept.push_back(std::move(item));
    }
    items = std::move(kept);
}

// The place of the item that `reference` names, in a vector sorted by id.
template <typename Item>
std::optional<std::size_t> find(std::vector<Item> const& items, std::string_view id) {
    auto const at =
        std::lower_bound(items.begin(), items.end(), id,
                         [](Item const& item, std::string_view wanted) { return item.id->value < wanted; });
    if (at == items.end() || at->id->value != id) {
        return std::nullopt;
    }
    return static_cast<std::size_t>(at - items.begin());
}

class Resolver {
public:
    Resolver(Written written, Fleet& fleet, std::vector<NoticeSettings>& notices, Problems& problems)
        : written_{std::move(written)}, fleet_{fleet}, notices_{notices}, problems_{problems} {}

    void run() {
        sort_by_id(written_.sites, "site", problems_);
        sort_by_id(written_.depots, "depot", problems_);
        sort_by_id(written_.technicians, "technician", problems_);
        sort_by_id(written_.lines, "line", problems_);
        sort_by_id(written_.maps, "register map", problems_);
        sort_by_id(written_.probes, "probe", problems_);
        sort_by_id(written_.notices, "notice", problems_);
        for (auto const& site : written_.sites) {
            fleet_.sites.push_back(site.site);
        }
        for (auto const& depot : written_.depots) {
            fleet_.depots.push_back(depot.depot);
        }
        for (auto const& technician : written_.technicians) {
            take_technician(technician);
        }
        for (auto const& map : written_.maps) {
            fleet_.register_maps.push_back(map.map);
        }
        for (auto const& line : written_.lines) {
            take_line(line);
        }
        for (auto const& probe : written_.probes) {
            take_probe(probe);
        }
        for (std::size_t i = 0; i < written_.probes.size(); ++i) {
            take_neighbours(i);
        }
        std::for_each(written_.notices.begin(), written_.notices.end(),
                      [this](auto const& n) { take_notice(n); });
        tell_lines_twice();
        tell_lines_beyond();
        tell_devices_twice();
    }

private:
    // Tells a reference that leads nowhere.
    template <typename Item>
    std::optional<std::size_t> follow(std::optional<Text> const& reference, std::vector<Item> const& items,
                                      std::string_view kind) {
        if (!reference) {
            return std::nullopt;
        }
        auto const found = find(items, reference->value);
        if (!found && written_.complete) {
            std::vector<std::string_view> ids;
            for (auto const& item : items) {
                ids.emplace_back(item.id->value);
            }
            auto const nearest = nearest_word(std::string_view{reference->value}.substr(0, 64), ids);
            problems_.add(reference->where,
                          fmt::format("there is no {} \"{}\"{}", kind, reference->value,
                                      nearest ? fmt::format("; did you mean \"{}\"?", *nearest) : ""));
        }
        return found;
    }

    void take_technician(WrittenTechnician const& written) {
        auto technician = written.technician;
        technician.depot = follow(written.depot, written_.depots, "depot").value_or(0);
        fleet_.technicians.push_back(std::move(technician));
    }

    void take_line(WrittenLine const& written) {
        auto line = written.line;
        line.site = static_cast<SiteIndex>(follow(written.site, written_.sites, "site").value_or(0));
        fleet_.lines.push_back(std::move(line));
    }

    void take_probe(WrittenProbe const& written) {
        auto probe = written.probe;
        auto site = follow(written.site, written_.sites, "site");
        if (auto const line = follow(written.line, written_.lines, "line")) {
            probe.line = static_cast<LineIndex>(*line);
            auto const& site_id = written_.lines[*line].site;
            site = site_id ? find(written_.sites, site_id->value) : std::nullopt;
            check_unit(written, fleet_.lines[*line]);
        }
        probe.register_map = follow(written.register_map, written_.maps, "register map");
        probe.site = static_cast<SiteIndex>(site.value_or(0));
        probe.limits = limits_of(probe, written, site);
        site_of_.push_back(site);
        fleet_.probes.push_back(std::move(probe));
    }

    void take_notice(WrittenNotice const& written) {
        auto notice = written.notice;
        for (auto const& site : written.sites) {
            if (follow(std::optional{site}, written_.sites, "site")) {
                notice.sites.push_back(site.value);
            }
        }
        notices_.push_back(std::move(notice));
    }

    // On a serial line 0 is a broadcast and 248..255 are reserved: MODBUS over Serial Line V1.02, 2.2. Over
    // TCP all 256 may stand for the device itself or for one behind a gateway: Modbus Messaging on TCP/IP
    // V1.0b, 4.4.2.
    void check_unit(WrittenProbe const& written, Line const& line) {
        if (written.unit && line.transport == Transport::rtu &&
            (written.probe.unit < 1 || written.probe.unit > 247)) {
            problems_.add(*written.unit, fmt::format("`unit` is {}, should lie in 1..247 on a serial line",
                                                     written.probe.unit));
        }
    }

    Limits limits_of(Probe const& probe, WrittenProbe const& written, std::optional<std::size_t> site) const {
        Limits defaults;
        bool const pressure_measured =
            probe.register_map && written_.maps[*probe.register_map].map.pressure.has_value();
        defaults.t90_ratio = probe.use == Use::monitor ? 3.0 : defaults.t90_ratio;
        // A fixed pressure_hpa of the site is no measurement: weather moves the true one by some 3 %.
        defaults.span_percent = pressure_measured ? defaults.span_percent : 8.0;
        WrittenLimits const nothing{};
        std::initializer_list<WrittenLimits const*> const layers = {
            &written_.limits, site ? &written_.sites[*site].limits : &nothing, &written.limits};
        auto limits = merged(defaults, layers);
        // Files and uploads tell only as they come whether pressure is measured.
        limits.span_measured_percent = merged(Limits{}, layers).span_percent;
        return limits;
    }

    void take_neighbours(std::size_t place) {
        auto const& written = written_.probes[place];
        auto& neighbours = fleet_.probes[place].neighbours;
        for (auto const& reference : written.neighbours) {
            auto const found = follow(std::optional{reference}, written_.probes, "probe");
            if (!found) {
                continue;
            }
            auto const index = static_cast<ProbeIndex>(*found);
            if (*found == place) {
                problems_.add(reference.where, "a probe is not its own neighbour");
            } else if (std::find(neighbours.begin(), neighbours.end(), index) != neighbours.end()) {
                problems_.add(reference.where, fmt::format("neighbour \"{}\" stands twice", reference.value));
            } else if (site_of_[place] && site_of_[*found] && site_of_[place] != site_of_[*found]) {
                problems_.add(reference.where,
                              fmt::format("neighbour \"{}\" is at site \"{}\", not in the same water",
                                          reference.value, written_.sites[*site_of_[*found]].id->value));
            } else {
                neighbours.push_back(index);
            }
        }
    }

    void tell_lines_twice() {
        std::map<std::tuple<std::string, std::uint16_t, std::string>, Where> seen;
        for (std::size_t i = 0; i < written_.lines.size(); ++i) {
            auto const& line = written_.lines[i].line;
            auto host = line.host;
            std::transform(host.begin(), host.end(), host.begin(), [](char c) {
                return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
            });
            bool const tcp = line.transport == Transport::tcp;
            if (tcp ? host.empty() : line.device.empty()) {
                continue;
            }
            auto const key = std::tuple{tcp ? host : "", tcp ? line.port : std::uint16_t{0},
                                        tcp ? "" : std::filesystem::weakly_canonical(line.device).string()};
            auto const [at, is_new] = seen.emplace(key, written_.lines[i].where);
            if (!is_new) {
                tell_later(at->second, written_.lines[i].where,
                           tcp ? fmt::format("another line has {}:{} already", host, line.port)
                               : fmt::format("another line has {} already", line.device.string()));
            }
        }
    }

    // Each serial line keeps a descriptor below 1024 (sockets/descriptors.h), of which store, log and
    // listeners take some too.
    void tell_lines_beyond() {
        constexpr std::size_t most = 900;
        std::size_t serial = 0;
        Where last;
        for (auto const& written : written_.lines) {
            if (written.line.transport == Transport::rtu) {
                ++serial;
                last = std::max(last, written.where, [](Where const& a, Where const& b) {
                    return std::pair{a.file, a.line} < std::pair{b.file, b.line};
                });
            }
        }
        if (serial > most) {
            problems_.add(last, fmt::format("there are {} serial lines, and one daemon can hold {}; give the "
                                            "others to a second daemon with a store of its own",
                                            serial, most));
        }
    }

    // Two probes on the same registers of the same device are one probe.
    void tell_devices_twice() {
        std::map<std::tuple<LineIndex, int, Table, std::uint16_t>, Where> seen;
        for (std::size_t i = 0; i < written_.probes.size(); ++i) {
            auto const& probe = fleet_.probes[i];
            if (!probe.line || !probe.register_map || !written_.probes[i].unit) {
                continue;
            }
            auto const& oxygen = fleet_.register_maps[*probe.register_map].dissolved_oxygen;
            auto const [at, is_new] = seen.emplace(
                std::tuple{*probe.line, probe.unit, oxygen.table, oxygen.address}, written_.probes[i].where);
            if (!is_new) {
                tell_later(
                    at->second, written_.probes[i].where,
                    fmt::format("another probe reads the same registers of unit {} already", probe.unit));
            }
        }
    }

    // Of two tables that exclude each other the later one is told, with the place of the earlier.
    void tell_later(Where a, Where b, std::string const& what) {
        bool const b_is_later = std::tie(a.file, a.line) < std::tie(b.file, b.line);
        problems_.add(b_is_later ? b : a,
                      fmt::format("{}, at {}", what, problems_.shown(b_is_later ? a : b)));
    }

    Written written_;
    Fleet& fleet_;
    std::vector<NoticeSettings>& notices_;
    Problems& problems_;
    std::vector<std::optional<std::size_t>> site_of_;  // of each probe, where it is known
};

}  // namespace

void resolve(Written written, Fleet& fleet, std::vector<NoticeSettings>& notices, Problems& problems) {
    Resolver{std::move(written), fleet, notices, problems}.run();
}

}  // namespace probekeeper::fleet
