#include "scada/points.h"

#include <spdlog/fmt/fmt.h>

#include <iterator>

#include "scada/layout.h"

namespace probekeeper::scada {
namespace {

using enum PointType;

constexpr std::string_view conditions =
    "0 unknown, 1 good, 2 maintenance required, 3 out of specification, 4 function check, 5 failure";

constexpr Point summary[] = {
    {0, uint16, 1.0, "", "layout", "version of this layout"},
    {1, uint16, 1.0, "s", "heartbeat", "counts on once a second; standing for 10 s: the daemon has stopped"},
    {2, uint16, 1.0, "", "probes", "probes in the configuration"},
    {3, uint16, 1.0, "", "unknown", "probes whose condition is unknown"},
    {4, uint16, 1.0, "", "good", "good probes"},
    {5, uint16, 1.0, "", "maintenance_required", "probes that require maintenance (M)"},
    {6, uint16, 1.0, "", "out_of_specification", "probes out of specification (S)"},
    {7, uint16, 1.0, "", "function_check", "probes in function check (C)"},
    {8, uint16, 1.0, "", "failure", "failed probes (F)"},
    {9, uint16, 1.0, "", "tickets", "unfinished tickets"},
    {10, uint16, 1.0, "", "lines_up", "lines that work"},
    {11, uint16, 1.0, "", "lines_down", "lines that do not"},
    {12, uint32, 1.0, "s", "time", "the daemon's time, since 1970 UTC"},
    {14, uint16, 1.0, "", "sites", "sites in the configuration"},
    {15, uint16, 1.0, "", "urgent", "tickets with urgency now"},
    {16, uint16, 1.0, "", "unseen", "tickets that nobody has marked as seen"},
};

constexpr Point site[] = {
    {0, uint16, 1.0, "", "present", "1: a site of today; 0: none, or removed"},
    {1, uint16, 1.0, "", "condition", "the worst of its probes: see a probe's condition"},
    {2, uint16, 1.0, "", "ne107", "its NE 107 letter in ASCII, or 0"},
    {3, uint16, 1.0, "", "probes", "its probes"},
    {4, uint16, 1.0, "", "unknown", "of them unknown"},
    {5, uint16, 1.0, "", "good", "of them good"},
    {6, uint16, 1.0, "", "maintenance_required", "of them M"},
    {7, uint16, 1.0, "", "out_of_specification", "of them S"},
    {8, uint16, 1.0, "", "function_check", "of them C"},
    {9, uint16, 1.0, "", "failure", "of them F"},
    {10, uint16, 1.0, "", "tickets", "unfinished tickets"},
    {11, uint16, 1.0, "", "urgent", "of them with urgency now"},
    {12, uint16, 1.0, "", "unseen", "of them that nobody has marked as seen"},
    {13, uint16, 1.0, "", "lines_up", "lines that work"},
    {14, uint16, 1.0, "", "lines_down", "lines that do not"},
    {15, int16, 1.0, "s", "age", "of the newest reading"},
    {16, int16, 0.1, "d", "due", "days until the first ticket is due, negative: overdue"},
    {17, uint16, 1.0, "", "out_of_use", "probes out of use"},
    {20, float32, 1.0, "s", "age_float", "of the newest reading"},
    {22, float32, 1.0, "d", "due_float", "days until the first ticket is due"},
    {40, text, 1.0, "", "id", "the site's id, two letters a register"},
};
constexpr Point site_bits[] = {
    {0, bit, 1.0, "", "has_unknown", "a probe is unknown"},
    {1, bit, 1.0, "", "has_good", "a probe is good"},
    {2, bit, 1.0, "", "has_maintenance_required", "a probe requires maintenance"},
    {3, bit, 1.0, "", "has_out_of_specification", "a probe is out of specification"},
    {4, bit, 1.0, "", "has_function_check", "a probe is in function check"},
    {5, bit, 1.0, "", "has_failure", "a probe has failed"},
    {6, bit, 1.0, "", "has_ticket", "a ticket is unfinished"},
    {7, bit, 1.0, "", "is_present", "a site of today"},
    {8, bit, 1.0, "", "line_down", "a line is down"},
    {9, bit, 1.0, "", "all_lines_down", "all lines are down"},
    {10, bit, 1.0, "", "has_urgent", "a ticket has urgency now"},
    {11, bit, 1.0, "", "has_unseen", "a ticket has not been marked as seen"},
};

constexpr Point probe[] = {
    {0, uint16, 1.0, "", "present", "1: a probe of today; 0: none, or removed"},
    {1, uint16, 1.0, "", "condition", conditions},
    {2, uint16, 1.0, "", "ne107", "NE 107 letter in ASCII: M, S, C, F; 0 for good and unknown"},
    {3, uint16, 1.0, "bits", "reasons",
     "from bit 0: slow response, background, fluctuation, span error, reference disagreement, temperature "
     "fault, "
     "no signal, membrane damage, stuck, no communication, not settled, cleaning failed, verification due"},
    {4, uint16, 1.0, "", "service_state",
     "0 in service, 1 in hand, 2 settling, 3 awaiting calibration, 4 out of use"},
    {5, uint16, 1.0, "", "ticket_state", "0 none, 1 open, 2 acknowledged, 3 planned, 4 serviced"},
    {6, uint32, 1.0, "", "ticket", "the ticket's number within its site; 0 none"},
    {8, int16, 1.0, "s", "age", "of the last reading"},
    {9, int16, 0.1, "d", "due", "days until the ticket is due, negative: overdue"},
    {10, int16, 0.01, "mg/L", "oxygen", "dissolved oxygen, passed through"},
    {11, int16, 0.1, "%sat", "saturation", "dissolved oxygen, passed through"},
    {12, int16, 0.01, "degC", "temperature", "passed through"},
    {13, int16, 0.1, "s", "t90", "response time at 20 degC"},
    {14, int16, 0.01, "", "t90_ratio", "T90 over its fresh value"},
    {15, int16, 0.001, "mg/L", "background", "reading where there is no oxygen"},
    {16, int16, 0.01, "", "fluctuation_ratio", "fluctuation over its fresh value"},
    {17, int16, 0.1, "%", "span", "reading in air where 100 would be right"},
    {18, int16, 0.001, "mg/L", "fluctuation", "movement that the probe adds"},
    {19, uint16, 1.0, "", "urgency", "0 no ticket, 1 next visit, 2 this week, 3 now"},
    {20, float32, 1.0, "mg/L", "oxygen_float", "dissolved oxygen, passed through"},
    {22, float32, 1.0, "%sat", "saturation_float", "dissolved oxygen, passed through"},
    {24, float32, 1.0, "degC", "temperature_float", "passed through"},
    {26, float32, 1.0, "s", "t90_float", "response time at 20 degC"},
    {28, float32, 1.0, "", "t90_ratio_float", "T90 over its fresh value"},
    {30, float32, 1.0, "mg/L", "background_float", "reading where there is no oxygen"},
    {32, float32, 1.0, "", "fluctuation_ratio_float", "fluctuation over its fresh value"},
    {34, float32, 1.0, "%", "span_float", "reading in air where 100 would be right"},
    {36, float32, 1.0, "d", "due_float", "days until the ticket is due"},
    {38, float32, 1.0, "s", "age_float", "of the last reading"},
    {40, text, 1.0, "", "id", "the probe's id, two letters a register"},
    {64, float32, 1.0, "mg/L", "fluctuation_float", "movement that the probe adds"},
    {seen_register, uint16, 1.0, "", "seen",
     "0 no ticket, 1 not seen, 2 seen; 1 written marks it as seen where that is allowed"},
};
constexpr Point probe_bits[] = {
    {0, bit, 1.0, "", "is_unknown", "condition is unknown"},
    {1, bit, 1.0, "", "is_good", "condition is good"},
    {2, bit, 1.0, "", "is_maintenance_required", "condition is maintenance required"},
    {3, bit, 1.0, "", "is_out_of_specification", "condition is out of specification"},
    {4, bit, 1.0, "", "is_function_check", "condition is function check"},
    {5, bit, 1.0, "", "is_failure", "condition is failure"},
    {6, bit, 1.0, "", "has_ticket", "a ticket is unfinished"},
    {7, bit, 1.0, "", "is_present", "a probe of today"},
};

std::string_view to_word(PointType type) {
    switch (type) {
        case bit:
            return "bit";
        case uint16:
            return "uint16";
        case int16:
            return "int16";
        case uint32:
            return "uint32";
        case float32:
            return "float32";
        case text:
            return "text48";
    }
    return "";
}

struct Owner {
    std::string_view name;
    std::size_t unit = 1, block = 0;
    bool seen_can_be_written = false;
};

void add_rows(std::string& csv, Owner const& owner, std::span<Point const> points) {
    for (auto const& point : points) {
        auto const size = point.type == bit ? block_bits : block_registers;
        bool const writable = owner.seen_can_be_written && point.type != bit && point.offset == seen_register;
        fmt::format_to(std::back_inserter(csv), "{}.{},{},{},{},{},{},{},{},\"{}\"\r\n", owner.name,
                       point.tag, owner.unit, point.type == bit ? "discrete" : "holding",
                       owner.block * size + point.offset, to_word(point.type), point.scale, point.unit,
                       writable ? "yes" : "no", point.description);
    }
}

bool is_served(Numbered const& item, std::size_t units) {
    return item.number >= 1 && static_cast<std::size_t>(item.number) <= units * blocks_a_unit;
}

Owner owner_of(Numbered const& item, std::size_t first_unit) {
    auto const index = static_cast<std::size_t>(item.number - 1);
    return {item.id, first_unit + index / blocks_a_unit, 1 + index % blocks_a_unit, false};
}

}  // namespace

std::span<Point const> summary_points() {
    return summary;
}
std::span<Point const> site_points() {
    return site;
}
std::span<Point const> probe_points() {
    return probe;
}

std::size_t width_of(PointType type) {
    switch (type) {
        case bit:
        case uint16:
        case int16:
            return 1;
        case uint32:
        case float32:
            return 2;
        case text:
            return 24;
    }
    return 1;
}

std::string points_csv(std::vector<Numbered> const& sites, std::vector<Numbered> const& probes,
                       bool seen_can_be_written) {
    std::string csv = "tag,modbus_unit,table,address,type,scale,unit,writable,description\r\n";
    add_rows(csv, {"all", 1, 0, false}, summary);
    for (auto const& item : sites) {
        if (is_served(item, site_units)) {
            auto const owner = owner_of(item, first_site_unit);
            add_rows(csv, owner, site);
            add_rows(csv, owner, site_bits);
        }
    }
    for (auto const& item : probes) {
        if (is_served(item, probe_units)) {
            auto owner = owner_of(item, 1);
            owner.seen_can_be_written = seen_can_be_written;
            add_rows(csv, owner, probe);
            add_rows(csv, owner, probe_bits);
        }
    }
    return csv;
}

}  // namespace probekeeper::scada
