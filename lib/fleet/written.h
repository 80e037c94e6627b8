// What stands in the configuration, table by table, before references are resolved and defaults filled in.
#pragma once

#include <array>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"
#include "fleet/section.h"

namespace probekeeper::fleet {

// The keys of one [limits], [site.limits] or [probe.limits] table, in the order of limit_names().
inline constexpr std::size_t limit_count = 11;
using WrittenLimits = std::array<std::optional<double>, limit_count>;
[[nodiscard]] WrittenLimits read_limits(Section& section);
// `fallback` where nothing is written; of the layers the last one that writes a key wins.
[[nodiscard]] Limits merged(Limits fallback, std::initializer_list<WrittenLimits const*> layers);

// Calls `take` with each limit's key and value.
void for_each_limit(Limits const& limits, std::function<void(std::string_view, double)> const& take);

struct WrittenSite {
    Site site;
    Where where;
    std::optional<Text> id;
    WrittenLimits limits{};
};

struct WrittenDepot {
    Depot depot;
    Where where;
    std::optional<Text> id;
};

struct WrittenTechnician {
    Technician technician;
    Where where;
    std::optional<Text> id, depot;
};

struct WrittenLine {
    Line line;
    Where where;
    std::optional<Text> id, site;
};

struct WrittenMap {
    RegisterMap map;
    Where where;
    std::optional<Text> id;
};

struct WrittenProbe {
    Probe probe;
    Where where;
    std::optional<Text> id, site, line, register_map;
    std::optional<Where> unit;
    std::vector<Text> neighbours;
    WrittenLimits limits{};
};

struct WrittenNotice {
    NoticeSettings notice;
    Where where;
    std::optional<Text> id;
    std::vector<Text> sites;
};

// A file that must be there. One that holds a secret must be readable by its owner alone.
[[nodiscard]] std::optional<std::filesystem::path> read_file_name(Section& section, std::string_view key,
                                                                  bool secret);

// Each reads one table to its end and tells every problem that it can see from there.
[[nodiscard]] WrittenSite read_site(Section& section);
[[nodiscard]] WrittenDepot read_depot(Section& section);
[[nodiscard]] WrittenTechnician read_technician(Section& section);
// `usual`: the class where none is written.
[[nodiscard]] SiteAccess read_access(Section& section, Biosecurity usual);
[[nodiscard]] RoundsSettings read_rounds(Section& section);
[[nodiscard]] WrittenLine read_line(Section& section);
[[nodiscard]] WrittenMap read_register_map(Section& section);
[[nodiscard]] WrittenProbe read_probe(Section& section);
[[nodiscard]] WrittenNotice read_notice(Section& section);
void read_store(Section& section, StoreSettings& store);  // leaves what is not written
[[nodiscard]] HttpSettings read_http(Section& section);
[[nodiscard]] ScadaSettings read_scada(Section& section);
[[nodiscard]] HubSettings read_hub(Section& section);

}  // namespace probekeeper::fleet
