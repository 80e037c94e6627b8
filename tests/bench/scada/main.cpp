// What 32 SCADA clients cost that poll 500 probes once a second, in processor time of the server.
//
//   scada_bench [CLIENTS [PROBES [SECONDS]]]
//
// Four workloads, a JSON line each:
//   bits       a client reads all bits of all probes: the cheapest way to watch many
//   packed     a client reads the packed 40 registers of each probe, three probes a request
//   blocks     a client reads the first 39 registers of each probe, one request a probe, each after the last
//   answer libmodbus  the baseline: as blocks, from a bare libmodbus server in its usual select() loop over
//   one mapping
// Each server is a process of its own, so that nothing of the clients is counted with it.
#include <modbus.h>
#include <spdlog/sinks/null_sink.h>
#include <spdlog/spdlog.h>
#include <sys/resource.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <boost/asio/connect.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>
#include <chrono>
#include <cstdio>
#include <memory>
#include <string>
#include <thread>
#include <vector>

#include "scada/server.h"

namespace {

namespace net = boost::asio;
using namespace probekeeper;
using net::ip::tcp;
using Clock = std::chrono::steady_clock;

struct Size {
    int clients = 32, probes = 500, seconds = 10;
};

scada::EstateNow estate_of(int probes) {
    scada::EstateNow estate;
    estate.now = std::chrono::floor<Millis>(std::chrono::system_clock::now());
    estate.sites.push_back({1, "site", 1, 0});
    for (int i = 1; i <= probes; ++i) {
        scada::ProbeNow probe;
        probe.number = i;
        probe.id = "some-site-of-ours-tank-" + std::to_string(i);
        probe.t90_s = 40.0 + i;
        probe.last_reading.emplace();
        probe.last_reading->time = estate.now;
        probe.last_reading->do_mg_l = 7.0;
        estate.probes.push_back(std::move(probe));
    }
    return estate;
}

// A server in a child, which ends when `stop` is closed; gives its port.
struct Child {
    pid_t pid = 0;
    int stop = -1;
    std::uint16_t port = 0;
};

template <typename Serve>
Child serve_in_child(Serve serve) {
    std::array<int, 2> port_pipe{}, stop_pipe{};
    if (pipe(port_pipe.data()) != 0 || pipe(stop_pipe.data()) != 0) {
        std::perror("pipe");
        std::exit(1);
    }
    Child child;
    child.pid = fork();
    if (child.pid == 0) {
        close(stop_pipe[1]);
        serve(port_pipe[1], stop_pipe[0]);
        std::_Exit(0);
    }
    close(stop_pipe[0]);
    child.stop = stop_pipe[1];
    if (read(port_pipe[0], &child.port, sizeof child.port) != sizeof child.port) {
        std::exit(1);
    }
    return child;
}

void tell_port(int fd, std::uint16_t port) {
    if (write(fd, &port, sizeof port) != sizeof port) {
        std::_Exit(1);
    }
}

Child ours(int probes) {
    return serve_in_child([probes](int port_to, int stop) {
        auto log = std::make_shared<spdlog::logger>("none", std::make_shared<spdlog::sinks::null_sink_mt>());
        scada::Feed feed;
        feed.source = [probes] { return std::optional{estate_of(probes)}; };
        scada::Server const server{{}, std::move(feed), log};
        tell_port(port_to, server.port());
        char byte = 0;
        static_cast<void>(!read(stop, &byte, 1));
    });
}

Child libmodbus() {
    return serve_in_child([](int port_to, int stop) {
        auto* const modbus = modbus_new_tcp("127.0.0.1", 0);
        auto* const mapping = modbus_mapping_new(0, 0, 65'535, 0);
        int const listener = modbus_tcp_listen(modbus, 64);
        sockaddr_in address{};
        socklen_t size = sizeof address;
        getsockname(listener, reinterpret_cast<sockaddr*>(&address), &size);
        tell_port(port_to, ntohs(address.sin_port));
        fd_set all;
        FD_ZERO(&all);
        FD_SET(listener, &all);
        FD_SET(stop, &all);
        int highest = std::max(listener, stop);
        for (;;) {
            auto ready = all;
            if (select(highest + 1, &ready, nullptr, nullptr, nullptr) < 0 || FD_ISSET(stop, &ready)) {
                return;
            }
            for (int fd = 0; fd <= highest; ++fd) {
                if (!FD_ISSET(fd, &ready)) {
                    continue;
                }
                if (fd == listener) {
                    int const client = accept(listener, nullptr, nullptr);
                    FD_SET(client, &all);
                    highest = std::max(highest, client);
                    continue;
                }
                modbus_set_socket(modbus, fd);
                std::array<std::uint8_t, MODBUS_TCP_MAX_ADU_LENGTH> query{};
                int const got = modbus_receive(modbus, query.data());
                if (got > 0) {
                    modbus_reply(modbus, query.data(), got, mapping);
                } else if (got < 0) {
                    close(fd);
                    FD_CLR(fd, &all);
                }
            }
        }
    });
}

struct Request {
    std::array<std::uint8_t, 12> bytes;
    std::size_t answer;
};

Request request(std::uint8_t function, unsigned first, unsigned quantity, std::uint8_t unit = 1) {
    auto const high = [](unsigned v) { return static_cast<std::uint8_t>(v >> 8); };
    auto const low = [](unsigned v) { return static_cast<std::uint8_t>(v); };
    return {{0, 1, 0, 0, 0, 6, unit, function, high(first), low(first), high(quantity), low(quantity)},
            9 + (function <= 2 ? (quantity + 7) / 8 : 2 * quantity)};
}

std::vector<Request> blocks(int probes) {
    std::vector<Request> out;
    for (int i = 1; i <= probes; ++i) {
        out.push_back(request(3, static_cast<unsigned>(i) * 100, 39));
    }
    return out;
}

std::vector<Request> packed(int probes) {
    constexpr auto registers = static_cast<unsigned>(scada::packed_registers);
    std::vector<Request> out;
    for (int i = 1; i <= probes; i += 3) {
        auto const blocks = static_cast<unsigned>(std::min(3, probes - i + 1));
        out.push_back(request(3, static_cast<unsigned>(i) * registers, blocks * registers,
                              static_cast<std::uint8_t>(scada::first_packed_unit)));
    }
    return out;
}

std::vector<Request> bits(int probes) {
    std::vector<Request> out;
    auto const all = static_cast<unsigned>(probes + 1) * 16;
    for (unsigned first = 0; first < all; first += 2000) {
        out.push_back(request(2, first, std::min(2000U, all - first)));
    }
    return out;
}

// One client: all requests once a second, each when the last one is answered. Gives the rounds that took
// longer.
int poll(std::uint16_t port, std::vector<Request> const& requests, int seconds, int place, int of) {
    net::io_context io;
    tcp::socket socket{io};
    socket.connect({net::ip::address_v4::loopback(), port});
    socket.set_option(tcp::no_delay{true});
    std::array<std::uint8_t, 300> answer{};
    int late = 0;
    auto const start = Clock::now() + std::chrono::milliseconds{1000 * place / of};
    for (int round = 0; round < seconds; ++round) {
        std::this_thread::sleep_until(start + std::chrono::seconds{round});
        for (auto const& r : requests) {
            net::write(socket, net::buffer(r.bytes));
            net::read(socket, net::buffer(answer, r.answer));
        }
        late += Clock::now() > start + std::chrono::seconds{round + 1} ? 1 : 0;
    }
    return late;
}

double cpu_seconds_of_children() {
    rusage usage{};
    getrusage(RUSAGE_CHILDREN, &usage);
    auto const s = [](timeval const& t) {
        return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
    };
    return s(usage.ru_utime) + s(usage.ru_stime);
}

void measure(char const* workload, Child const& child, std::vector<Request> const& requests, Size size) {
    auto const before = cpu_seconds_of_children();
    auto const began = Clock::now();
    std::vector<std::thread> clients;
    std::vector<int> late(static_cast<std::size_t>(size.clients));
    for (int i = 0; i < size.clients; ++i) {
        clients.emplace_back([&, i] {
            late[static_cast<std::size_t>(i)] = poll(child.port, requests, size.seconds, i, size.clients);
        });
    }
    for (auto& client : clients) {
        client.join();
    }
    auto const took = std::chrono::duration<double>(Clock::now() - began).count();
    close(child.stop);
    waitpid(child.pid, nullptr, 0);
    auto const cpu = cpu_seconds_of_children() - before;
    int all_late = 0;
    for (int const l : late) {
        all_late += l;
    }
    auto const answers = static_cast<double>(requests.size()) * size.clients * size.seconds;
    std::printf(
        "{\"bench\": \"scada\", \"workload\": \"%s\", \"clients\": %d, \"probes\": %d, \"seconds\": %.1f, "
        "\"requests_a_second\": %.0f, \"cpu_us_a_request\": %.2f, \"core_percent\": %.2f, "
        "\"late_rounds\": %d}\n",
        workload, size.clients, size.probes, took, answers / size.seconds, cpu / answers * 1e6,
        100.0 * cpu / size.seconds, all_late);
    std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
    Size size;
    size.clients = argc > 1 ? std::stoi(argv[1]) : size.clients;
    size.probes = argc > 2 ? std::stoi(argv[2]) : size.probes;
    size.seconds = argc > 3 ? std::stoi(argv[3]) : size.seconds;
    measure("bits", ours(size.probes), bits(size.probes), size);
    measure("packed", ours(size.probes), packed(size.probes), size);
    measure("blocks", ours(size.probes), blocks(size.probes), size);
    measure("libmodbus", libmodbus(), blocks(size.probes), size);
    return 0;
}
