// What the configuration says: sites, lines, register maps, probes and their limits, with every default
// filled in and every reference resolved. Plain values; fleet/load.h makes them from TOML.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "fleet/working_week.h"

namespace probekeeper::fleet {

// Indices into the vectors of Fleet. A probe's index is its place in Fleet::probes, which is sorted by id, so
// that order by index is order by id.
using ProbeIndex = std::uint32_t;
using SiteIndex = std::uint32_t;
using LineIndex = std::uint32_t;

enum class SiteKind { aquaculture, wastewater };
enum class Use { control, alarm, monitor };
enum class Transport { tcp, rtu };
enum class Parity { none, even, odd };
enum class Table { coil, discrete, input, holding };
enum class RegisterType { uint16, int16, uint32, int32, float32 };
enum class WordOrder { abcd, cdab, badc, dcba };
enum class Unit { mg_per_l, percent_sat, hpa, kpa, mmhg, deg_c, kelvin, deg_f, psu, any };

// Where one signal of a device stands in its register map. The value is raw * scale + offset, in `unit`.
struct Signal {
    Table table = Table::holding;
    std::uint16_t address = 0;  // zero-based
    RegisterType type = RegisterType::uint16;
    WordOrder order = WordOrder::abcd;
    double scale = 1.0;
    double offset = 0.0;
    std::optional<std::uint8_t> bit;  // 0..15: this bit of a 16-bit register, for the bit signals
    Unit unit = Unit::any;
    // Registers taken: 2 for the 32-bit types in input and holding tables, else 1.
    [[nodiscard]] std::uint16_t width() const;
};

struct RegisterMap {
    std::string id;
    Signal dissolved_oxygen;  // unit mg_per_l, percent_sat or hpa
    std::optional<Signal> temperature, salinity, pressure, airflow;
    std::optional<Signal> cleaning, aeration, hold, fault;
};

struct Site {
    std::string id, name;
    SiteKind kind = SiteKind::aquaculture;
    double latitude = 0.0, longitude = 0.0;
    double altitude_m = 0.0;
    double salinity_psu = 0.0;
    std::optional<double> pressure_hpa;
    std::string time_zone = "UTC";
    std::string address, access_notes;
    SiteAccess access;
};

struct Line {
    std::string id;
    SiteIndex site = 0;
    Transport transport = Transport::tcp;
    std::string host;              // tcp
    std::uint16_t port = 502;      // tcp
    std::filesystem::path device;  // rtu
    int baud = 9600;               // rtu
    Parity parity = Parity::even;  // rtu
    int data_bits = 8, stop_bits = 1;
    int timeout_ms = 500;
};

// The limits of one probe: fleet-wide, then its site's, then its own; defaults filled in.
struct Limits {
    double t90_ratio = 2.0;              // 3.0 where use is monitor, unless written
    double background_mg_l = 0.1;        // of a dry zero
    double background_water_mg_l = 0.2;  // of an anoxic floor in the water
    double fluctuation_ratio = 3.0;
    double span_percent = 5.0;           // 8.0 where pressure is not measured, unless written
    double span_measured_percent = 5.0;  // the same where readings themselves bring the pressure; not written
    double reference_percent = 10.0;     // or reference_mg_l, whichever is greater
    double reference_mg_l = 0.3;
    double no_reading_minutes = 15.0;
    double no_reading_ticket_minutes = 240.0;
    double evidence_days = 30.0;
    double horizon_days = 14.0;
};

struct Probe {
    std::string id;
    SiteIndex site = 0;
    std::optional<LineIndex> line;  // none: fed by CSV only
    int unit = 0;                   // Modbus unit identifier, with a line only
    std::optional<std::size_t> register_map;
    std::string location;
    Use use = Use::monitor;
    std::string serial, membrane;
    double poll_s = 5.0;
    std::optional<double> t90_s;
    std::optional<double> salinity_psu, transmitter_salinity_psu;
    std::vector<ProbeIndex> neighbours;
    Limits limits;
};

struct StoreSettings {
    std::filesystem::path path = "probekeeper.db";
    double keep_raw_days = 400.0;
    double keep_summary_days = 1825.0;
};

struct HttpSettings {
    std::string address = "127.0.0.1";
    std::uint16_t port = 8080;
    std::vector<std::string> allow_origins;
    std::vector<std::string> host_names;  // under which people and proxies know it
    std::optional<std::filesystem::path> tokens_file, tls_certificate_file, tls_key_file;
    bool behind_proxy = false;  // TLS ends at a proxy in front
};

// Of a Modbus server that a SCADA system polls.
struct ScadaSettings {
    std::string address = "127.0.0.1";
    std::uint16_t port = 1602;
    std::vector<std::string> allow_from;  // networks such as "10.1.0.0/16"
    bool allow_seen = false;              // whether SCADA may mark a ticket as seen
};

// Of the database of a hub, which this daemon tells and asks.
struct HubSettings {
    std::string postgresql;  // a connection string of libpq, without a password
    std::optional<std::filesystem::path> password_file;
    double kilobits_per_s = 64.0;  // what is sent to it at most, on average
    bool tls_off = false;          // a connection string that asks for less than verify-full is meant
};

struct Fleet {
    StoreSettings store;
    HttpSettings http;
    std::optional<ScadaSettings> scada;
    std::optional<HubSettings> hub;
    RoundsSettings rounds;
    std::vector<Depot> depots;            // sorted by id
    std::vector<Technician> technicians;  // sorted by id
    std::vector<Site> sites;              // sorted by id
    std::vector<Line> lines;              // sorted by id
    std::vector<RegisterMap> register_maps;
    std::vector<Probe> probes;  // sorted by id

    [[nodiscard]] std::optional<ProbeIndex> find_probe(std::string_view id) const;
    [[nodiscard]] std::optional<SiteIndex> find_site(std::string_view id) const;
};

// The words of the configuration and of the API for these values ("aquaculture", "alarm", ...).
[[nodiscard]] std::string_view to_word(SiteKind kind);
[[nodiscard]] std::string_view to_word(Use use);

}  // namespace probekeeper::fleet
