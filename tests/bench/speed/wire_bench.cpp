// How near polling comes to what the wire and bare libmodbus give.
//
//   bench_wire [--small] [tcp] [rtu] [dead]
//
// tcp: reads a second of one line and of 64, beside a bare libmodbus loop that reads the same blocks of the
// same
//      server in another process; the two take turns.
// rtu: exchanges on a pseudo terminal whose far end keeps to the baud rate, beside what characters and both
// legal
//      gaps allow.
// dead: readings of living units on a busy line, beside the same line without the dead ones.
#include <modbus/modbus.h>
#include <pty.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <set>
#include <string>
#include <thread>

#include "fieldbus/fleet_maker.h"
#include "fieldbus/poller.h"
#include "fieldbus/timing.h"
#include "figure.h"
#include "modbus_peer.h"

using namespace probekeeper;
using namespace probekeeper::bench;
using std::chrono::duration;
using std::chrono::milliseconds;
using std::chrono::nanoseconds;

namespace {

constexpr double at_once_s = 1e-6;  // a poll interval that keeps a line busy all the time
constexpr int exchanges_a_poll = 2;

// Units 1 to `units` on each of `lines`.
fleet::Fleet fleet_of(std::vector<fleet::Line> const& lines, int units, double poll_s) {
    fleet::Fleet made;
    made.sites.emplace_back().id = "site";
    made.register_maps.push_back(fieldbus::test::two_floats());
    for (auto const& line : lines) {
        made.lines.push_back(line);
        for (int unit = 1; unit <= units; ++unit) {
            auto& probe = made.probes.emplace_back();
            probe.id = fmt::format("probe-{}", made.probes.size());
            probe.line = static_cast<fleet::LineIndex>(made.lines.size() - 1);
            probe.unit = unit;
            probe.register_map = 0;
            probe.poll_s = poll_s;
        }
    }
    return made;
}

fleet::Line tcp_line(std::uint16_t port) {
    fleet::Line line;
    line.id = fmt::format("line-{}", port);
    line.host = "127.0.0.1";
    line.port = port;
    line.timeout_ms = 500;
    return line;
}

class Nowhere final : public fieldbus::Sink {
public:
    void reading(fleet::ProbeIndex, Reading const&) override {}
    void fault(fleet::ProbeIndex, Timestamp, fieldbus::Fault, int) override {}
    void line_state(fleet::LineIndex, bool, fieldbus::LinkError, Timestamp) override {}
};

// Workers of a fleet while they run.
class Polling {
public:
    explicit Polling(fleet::Fleet const& fleet) {
        for (fleet::LineIndex line = 0; line < fleet.lines.size(); ++line) {
            workers_.push_back(std::make_unique<fieldbus::LineWorker>(fleet, line, sink_, clock_));
        }
        for (auto& worker : workers_) {
            worker->start();
        }
    }
    ~Polling() {
        for (auto& worker : workers_) {
            worker->interrupt();
        }
    }
    Polling(Polling const&) = delete;
    Polling& operator=(Polling const&) = delete;
    // Readings so far of units up to `last_unit`.
    [[nodiscard]] double good(std::size_t last_unit = 247) const {
        double sum = 0.0;
        for (auto const& worker : workers_) {
            auto const units = worker->statistics().units;
            for (std::size_t i = 0; i < std::min(units.size(), last_unit); ++i) {
                sum += static_cast<double>(units[i].good);
            }
        }
        return sum;
    }

private:
    Nowhere sink_;
    fieldbus::SystemClock clock_;
    std::vector<std::unique_ptr<fieldbus::LineWorker>> workers_;
};

// What `count` grows by in a second, after a moment in which all get going.
template <typename Count>
double rate_of(Count count, milliseconds within) {
    std::this_thread::sleep_for(milliseconds{300});
    auto const before = count();
    auto const begun = std::chrono::steady_clock::now();
    std::this_thread::sleep_for(within);
    auto const grown = count() - before;
    return grown / duration<double>(std::chrono::steady_clock::now() - begun).count();
}

[[noreturn]] void give_up(char const* what) {
    fmt::print(stderr, "bench_wire: {}\n", what);
    std::exit(1);
}

// The same two blocks, as one would write it by hand.
void bare_loop(std::uint16_t port, std::atomic<bool> const& stop, std::atomic<std::uint64_t>& reads) {
    std::unique_ptr<modbus_t, void (*)(modbus_t*)> const context{modbus_new_tcp("127.0.0.1", port),
                                                                 modbus_free};
    modbus_set_slave(context.get(), 1);
    if (modbus_connect(context.get()) != 0) {
        give_up("bare libmodbus cannot connect");
    }
    std::array<std::uint16_t, 4> words{};
    std::array<std::uint8_t, 3> bits{};
    while (!stop) {
        if (modbus_read_registers(context.get(), 0, 4, words.data()) != 4 ||
            modbus_read_input_bits(context.get(), 0, 3, bits.data()) != 3) {
            give_up("bare libmodbus cannot read");
        }
        reads += exchanges_a_poll;
    }
    modbus_close(context.get());
}

double bare_rate(std::vector<std::uint16_t> const& ports, milliseconds within) {
    std::atomic<bool> stop = false;
    std::vector<std::atomic<std::uint64_t>> reads(ports.size());
    std::vector<std::jthread> threads;
    for (std::size_t i = 0; i < ports.size(); ++i) {
        threads.emplace_back([&, i] { bare_loop(ports[i], stop, reads[i]); });
    }
    double const rate = rate_of(
        [&] {
            double sum = 0.0;
            for (auto const& count : reads) {
                sum += static_cast<double>(count);
            }
            return sum;
        },
        within);
    stop = true;
    return rate;
}

double our_rate(std::vector<std::uint16_t> const& ports, milliseconds within) {
    std::vector<fleet::Line> lines;
    for (auto const port : ports) {
        lines.push_back(tcp_line(port));
    }
    Polling const polling{fleet_of(lines, 1, at_once_s)};
    return rate_of([&] { return polling.good() * exchanges_a_poll; }, within);
}

double median(std::vector<double> values) {
    auto const middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
}

void tcp(int lines, bool small) {
    std::vector<Listener> listeners;
    std::vector<std::uint16_t> ports;
    for (int i = 0; i < lines; ++i) {
        listeners.push_back(listen_on_loopback());
        ports.push_back(listeners.back().port);
    }
    Child const server{[&] { serve_modbus(listeners, {}); }};
    auto const within = milliseconds{small ? 200 : 2000};
    std::vector<double> ours, bare, ratios;
    for (int turn = 0; turn < (small ? 1 : 5); ++turn) {
        bare.push_back(bare_rate(ports, within));
        ours.push_back(our_rate(ports, within));
        ratios.push_back(ours.back() / bare.back());
    }
    double const ratio = median(ratios);
    print({fmt::format("modbus_tcp_{}_lines", lines), "reads/s", "bare libmodbus loop", ">= 0.95x",
           median(ours), median(bare), ratio, ratio >= 0.95});
    for (auto const& listener : listeners) {
        ::close(listener.socket);
    }
}

void wait_until(timespec const& start, nanoseconds after) {
    auto const ns = start.tv_nsec + after.count();
    timespec const end{start.tv_sec + ns / 1'000'000'000, ns % 1'000'000'000};
    while (::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &end, nullptr) != 0) {
    }
}

std::uint16_t crc16(std::uint8_t const* bytes, std::size_t size) {
    unsigned crc = 0xFFFF;
    for (std::size_t i = 0; i < size; ++i) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; ++bit) {
            crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
        }
    }
    return static_cast<std::uint16_t>(crc);
}

// Units on the far end of a pseudo terminal. The request takes its characters' time from its coming on, the
// gap is kept, and each character of the answer arrives when its last bit would.
[[noreturn]] void serve_serial(int master, fieldbus::SerialTiming timing) {
    ::prctl(PR_SET_TIMERSLACK, 1000UL, 0, 0, 0);
    std::array<std::uint8_t, fieldbus::request_bytes> request{};
    for (;;) {
        std::size_t have = 0;
        timespec came{};
        while (have < request.size()) {
            auto const got = ::read(master, request.data() + have, request.size() - have);
            if (got <= 0) {
                std::_Exit(0);
            }
            if (have == 0) {
                ::clock_gettime(CLOCK_MONOTONIC, &came);
            }
            have += static_cast<std::size_t>(got);
        }
        auto const count = static_cast<std::size_t>(request[4] << 8U | request[5]);
        std::size_t const bytes = request[1] >= 3 ? 2 * count : (count + 7) / 8;
        std::array<std::uint8_t, 256> answer{request[0], request[1], static_cast<std::uint8_t>(bytes), 0x41,
                                             0x00};
        auto const crc = crc16(answer.data(), 3 + bytes);
        answer[3 + bytes] = static_cast<std::uint8_t>(crc & 0xFFU);
        answer[4 + bytes] = static_cast<std::uint8_t>(crc >> 8U);
        auto const begins = timing.frame(request.size()) + timing.gap;
        for (std::size_t i = 0; i < 5 + bytes; ++i) {
            wait_until(came, begins + timing.frame(i + 1));
            if (::write(master, &answer[i], 1) != 1) {
                std::_Exit(1);
            }
        }
    }
}

// Of the two blocks: request, gap, answer, gap.
double allowed_polls_a_second(fieldbus::SerialTiming const& timing) {
    constexpr std::size_t registers = 8, bits = 1;
    auto const exchange = [&](std::size_t data) {
        return timing.frame(fieldbus::request_bytes + fieldbus::answer_overhead_bytes + data) +
               2 * timing.gap;
    };
    return 1.0 / duration<double>(exchange(registers) + exchange(bits)).count();
}

void rtu(int baud, bool small) {
    int master = -1, slave = -1;
    std::array<char, 128> name{};
    termios raw{};
    ::cfmakeraw(&raw);
    if (::openpty(&master, &slave, name.data(), &raw, nullptr) != 0) {
        give_up("no pseudo terminal");
    }
    fleet::Line line;
    line.id = "serial";
    line.transport = fleet::Transport::rtu;
    line.device = name.data();
    line.baud = baud;
    line.timeout_ms = 500;
    auto const timing = fieldbus::timing_of(line);
    double rate = 0.0;
    {
        Child const device{[&] { serve_serial(master, timing); }};
        Polling const polling{fleet_of({line}, 16, at_once_s)};
        rate = rate_of([&] { return polling.good(); }, milliseconds{small ? 1000 : 20'000});
    }
    ::close(slave);
    ::close(master);
    double const limit = allowed_polls_a_second(timing);
    print({fmt::format("modbus_rtu_{}_baud_16_units", baud), "polls/s", "arithmetic limit of the wire",
           ">= 0.97x", rate, limit, rate / limit, rate >= 0.97 * limit});
}

// A line of a gateway that takes 10 ms an answer. Its living units alone, two blocks each, are asked for a
// little more often than that allows.
struct DeadCase {
    explicit DeadCase(int living_units, int dead_units)
        : living{living_units},
          listener{listen_on_loopback()},
          gateway{[this] {
              serve_modbus({listener}, {living, std::chrono::milliseconds{10}});
          }},
          polling{fleet_of({tcp_line(listener.port)}, living_units + dead_units, 0.9 * 0.02 * living_units)} {
    }
    ~DeadCase() { ::close(listener.socket); }
    DeadCase(DeadCase const&) = delete;
    DeadCase& operator=(DeadCase const&) = delete;
    [[nodiscard]] double good() const { return polling.good(static_cast<std::size_t>(living)); }

    int living;
    Listener listener;
    Child gateway;
    Polling polling;
};

// All at once: a gateway's line is nearly all waiting.
void dead(bool small) {
    DeadCase const fifteen{15, 0}, one_dead{15, 1}, twelve{12, 0}, four_dead{12, 4};
    std::array<DeadCase const*, 4> const all{&fifteen, &one_dead, &twelve, &four_dead};
    auto const within = milliseconds{small ? 3000 : 60'000};  // from the beginning: their dying is in it
    std::this_thread::sleep_for(within);
    std::array<double, 4> rates{};
    for (std::size_t i = 0; i < all.size(); ++i) {
        rates[i] = all[i]->good() / duration<double>(within).count();
    }
    print({"living_units_with_1_of_16_dead", "readings/s", "the same 15 units alone on the line", ">= 0.95x",
           rates[1], rates[0], rates[1] / rates[0], rates[1] >= 0.95 * rates[0]});
    print({"living_units_with_4_of_16_dead", "readings/s", "the same 12 units alone on the line", ">= 0.90x",
           rates[3], rates[2], rates[3] / rates[2], rates[3] >= 0.90 * rates[2]});
}

}  // namespace

int main(int argc, char** argv) {
    std::set<std::string> const asked(argv + 1, argv + argc);
    bool const small = asked.contains("--small");
    bool const all = asked.size() == (small ? 1 : 0);
    if (all || asked.contains("tcp")) {
        tcp(1, small);
        tcp(64, small);
    }
    if (all || asked.contains("rtu")) {
        rtu(9600, small);
        rtu(19'200, small);
    }
    if (all || asked.contains("dead")) {
        dead(small);
    }
    return 0;
}
