#include "fieldbus/loop_check.h"

#include <algorithm>
#include <map>

#include <spdlog/fmt/fmt.h>

#include "fieldbus/line.h"

namespace probekeeper::fieldbus {
namespace {

// A line is opened for its first probe and again only where it broke after having been open.
struct OpenLine {
    explicit OpenLine(fleet::Line const& settings) : line{settings} {}

    LinkError ensure_open() {
        if (failed.fault == Fault::none && !line.usable()) {
            auto const opened = line.open();
            failed = opened ? LinkError{} : opened.error();
        }
        return failed;
    }

    Line line;
    LinkError failed;
};

LoopRow check_probe(fleet::Fleet const& fleet, fleet::ProbeIndex index, OpenLine& open, Clock const& clock) {
    auto const& probe = fleet.probes[index];
    LoopRow row;
    row.probe = index;
    row.line_error = open.ensure_open();
    if (row.line_error.fault != Fault::none) {
        return row;
    }
    auto const& map = fleet.register_maps.at(*probe.register_map);
    ProbeReader reader{map, probe.unit, costs_of(fleet.lines[*probe.line])};
    auto read = reader.read(open.line, clock);
    row.values = decode_signals(map, read.blocks);
    row.blocks = std::move(read.blocks);
    row.failed = std::move(read.failed);
    return row;
}

std::string addresses(Block const& block) {
    if (block.count == 1) {
        return fmt::format("{} {}", to_word(block.table), block.first);
    }
    return fmt::format("{} {}..{}", to_word(block.table), block.first, block.first + block.count - 1);
}

std::string raw_line(BlockData const& data) {
    auto text = fmt::format("  {}:", addresses(data.block));
    for (auto const word : data.words) {
        text += holds_words(data.block.table) ? fmt::format(" {:04X}", word) : fmt::format(" {}", word);
    }
    return text;
}

std::string value_line(NamedValue const& named) {
    auto const name = to_word(named.signal.name);
    if (named.value.fault) {
        LinkError const error{Fault::decode, decode_code({named.signal.name, *named.value.fault})};
        return fmt::format("  {} not read: {}", name, describe(error));
    }
    if (is_bit(named.signal.name)) {
        return fmt::format("  {} = {}", name, named.value.value != 0.0 ? 1 : 0);
    }
    auto const unit = to_word(named.signal.signal.unit);
    return fmt::format("  {} = {:.7g}{}{}", name, named.value.value, unit.empty() ? "" : " ", unit);
}

std::string where(fleet::Probe const& probe, fleet::Line const& line) {
    auto const endpoint = line.transport == fleet::Transport::tcp
                              ? fmt::format("{}:{}", line.host, line.port)
                              : fmt::format("{} at {} baud", line.device.string(), line.baud);
    return fmt::format("{} (line {}, {}, unit {})", probe.id, line.id, endpoint, probe.unit);
}

}  // namespace

bool LoopRow::passed() const {
    return line_error.fault == Fault::none && failed.empty() && !values.empty() &&
           std::none_of(values.begin(), values.end(),
                        [](NamedValue const& named) { return named.value.fault.has_value(); });
}

std::vector<LoopRow> loop_check(fleet::Fleet const& fleet, Clock const& clock,
                                std::optional<fleet::ProbeIndex> only) {
    std::map<fleet::LineIndex, OpenLine> lines;
    std::vector<LoopRow> rows;
    for (std::size_t i = 0; i < fleet.probes.size(); ++i) {
        auto const index = static_cast<fleet::ProbeIndex>(i);
        auto const& probe = fleet.probes[i];
        if ((only && *only != index) || !probe.line || !probe.register_map) {
            continue;
        }
        auto& open = lines.try_emplace(*probe.line, fleet.lines.at(*probe.line)).first->second;
        rows.push_back(check_probe(fleet, index, open, clock));
    }
    return rows;
}

std::vector<std::string> to_lines(LoopRow const& row, fleet::Fleet const& fleet) {
    auto const& probe = fleet.probes.at(row.probe);
    auto const place = where(probe, fleet.lines.at(*probe.line));
    if (row.line_error.fault != Fault::none) {
        return {fmt::format("{}: FAULT {}", place, to_word(row.line_error.fault)),
                fmt::format("  {}", describe(row.line_error))};
    }
    std::vector<std::string> lines{fmt::format("{}: {}", place, row.passed() ? "ok" : "FAULT")};
    for (auto const& data : row.blocks) {
        lines.push_back(raw_line(data));
    }
    for (auto const& [block, error] : row.failed) {
        lines.push_back(fmt::format("  {} {}: {}", addresses(block), to_word(error.fault), describe(error)));
    }
    for (auto const& value : row.values) {
        lines.push_back(value_line(value));
    }
    return lines;
}

}  // namespace probekeeper::fieldbus
