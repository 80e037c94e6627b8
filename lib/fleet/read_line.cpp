#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

constexpr std::pair<std::string_view, Transport> transports[] = {{"tcp", Transport::tcp},
                                                                 {"rtu", Transport::rtu}};
constexpr std::pair<std::string_view, Parity> parities[] = {
    {"none", Parity::none}, {"even", Parity::even}, {"odd", Parity::odd}};
// The speeds that Linux terminals have names for, termios(3), from the slowest that Modbus devices use.
constexpr std::int64_t bauds[] = {1200, 2400, 4800, 9600, 19'200, 38'400, 57'600, 115'200, 230'400};

void read_tcp(Section& section, Line& line) {
    line.host = section.text("host").value_or("");
    line.port = static_cast<std::uint16_t>(section.integer("port", 1, 65'535).value_or(502));
    for (auto const* key : {"device", "baud", "parity", "data_bits", "stop_bits"}) {
        section.refuse(key, "only a line with transport = \"rtu\" has it");
    }
    if (section.has("host") && line.host.find_first_of(" \t:/[]") != std::string::npos &&
        line.host.find("::") == std::string::npos) {
        section.wrong(
            "host",
            fmt::format("`host` is \"{}\", should be a host name or an address, without port", line.host));
    }
    section.need({"host"});
}

void read_rtu(Section& section, Line& line) {
    line.device = section.path("device").value_or("");
    auto const baud = section.integer("baud", bauds[0], 230'400).value_or(9600);
    if (std::find(std::begin(bauds), std::end(bauds), baud) == std::end(bauds)) {
        section.wrong("baud", fmt::format("`baud` is {}, should be one of {}", baud, fmt::join(bauds, ", ")));
    }
    line.baud = static_cast<int>(baud);
    line.parity = section.word<Parity>("parity", parities).value_or(Parity::even);
    // Modbus RTU needs all eight bits of a byte: MODBUS over Serial Line V1.02, 2.5.1.
    line.data_bits = static_cast<int>(section.integer("data_bits", 8, 8).value_or(8));
    line.stop_bits = static_cast<int>(section.integer("stop_bits", 1, 2).value_or(1));
    for (auto const* key : {"host", "port"}) {
        section.refuse(key, "only a line with transport = \"tcp\" has it");
    }
    section.need({"device"});
}

}  // namespace

WrittenLine read_line(Section& section) {
    WrittenLine written;
    written.where = section.where();
    written.id = section.id("id");
    written.site = section.located_text("site");
    auto& line = written.line;
    line.id = written.id ? written.id->value : "";
    auto const transport = section.word<Transport>("transport", transports);
    line.transport = transport.value_or(Transport::tcp);
    line.timeout_ms = static_cast<int>(section.integer("timeout_ms", 1, 60'000).value_or(500));
    section.need({"id", "site", "transport"});
    if (!transport) {
        return written;  // which other keys belong here is not known
    }
    if (line.transport == Transport::tcp) {
        read_tcp(section, line);
    } else {
        read_rtu(section, line);
    }
    section.finish();
    return written;
}

}  // namespace probekeeper::fleet
