// Against a server that is not ours: python3-pymodbus of Debian, started as a child. Skipped where it is
// absent.
#include <catch2/catch.hpp>

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>
#include <array>
#include <cstdlib>
#include <stdexcept>
#include <string>

#include "fieldbus/decode.h"
#include "fieldbus/descriptors.h"
#include "fieldbus/line.h"
#include "fieldbus/printing.h"

extern char** environ;

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using fleet::RegisterType;
using fleet::Table;
using fleet::WordOrder;

namespace {

// The child lives as long as its standard input is open, so it ends with us however we end.
class PymodbusServer {
public:
    PymodbusServer() {
        std::array<int, 2> to_child{}, from_child{};
        if (::pipe2(to_child.data(), O_CLOEXEC) != 0 || ::pipe2(from_child.data(), O_CLOEXEC) != 0) {
            throw std::runtime_error{"cannot make a pipe"};
        }
        Descriptor child_reads{to_child[0]}, child_writes{from_child[1]};
        child_input_.reset(to_child[1]);
        Descriptor const output{from_child[0]};
        posix_spawn_file_actions_t actions{};
        ::posix_spawn_file_actions_init(&actions);
        ::posix_spawn_file_actions_adddup2(&actions, child_reads.get(), STDIN_FILENO);
        ::posix_spawn_file_actions_adddup2(&actions, child_writes.get(), STDOUT_FILENO);
        std::string python = "/usr/bin/python3",
                    script = PROBEKEEPER_SOURCE_DIR "/tests/fieldbus/pymodbus_server.py";
        std::array<char*, 3> arguments{python.data(), script.data(), nullptr};
        if (::posix_spawn(&child_, python.c_str(), &actions, nullptr, arguments.data(), environ) != 0) {
            child_ = -1;
        }
        ::posix_spawn_file_actions_destroy(&actions);
        child_writes.reset();  // so that the end of the child is the end of its output
        port_ = child_ > 0 ? read_port(output.get()) : 0;
    }
    ~PymodbusServer() {
        child_input_.reset();
        if (child_ > 0) {
            ::waitpid(child_, nullptr, 0);
        }
    }
    PymodbusServer(PymodbusServer const&) = delete;
    PymodbusServer& operator=(PymodbusServer const&) = delete;

    // 0 where there is no such server here.
    [[nodiscard]] std::uint16_t port() const { return port_; }

private:
    // The child's first line; 0 where it ended without one.
    static std::uint16_t read_port(int output) {
        std::string line;
        char c = 0;
        while (::read(output, &c, 1) == 1 && c != '\n') {
            line += c;
        }
        return static_cast<std::uint16_t>(std::atoi(line.c_str()));
    }

    Descriptor child_input_;
    pid_t child_ = -1;
    std::uint16_t port_ = 0;
};

constexpr int server_unit = 9;

double value_of(Line& line, fleet::Signal const& signal) {
    Block const block{signal.table, signal.address, signal.width()};
    std::vector<std::uint16_t> words;
    auto const exchanged = line.read(server_unit, block, words);
    CAPTURE(signal.address, exchanged.has_value());
    REQUIRE(exchanged.has_value());
    return decode_signal(signal, words).value;
}

}  // namespace

TEST_CASE("every type and order of an independent server is read right, in all four tables",
          "[fieldbus][independent]") {
    PymodbusServer const server;
    if (server.port() == 0) {
        WARN("skipped: python3-pymodbus is not installed (apt-get install python3-pymodbus)");
        return;
    }
    fleet::Line settings;
    settings.host = "127.0.0.1";
    settings.port = server.port();
    settings.timeout_ms = 5000;
    Line line{settings};
    REQUIRE(line.open().has_value());
    constexpr std::array orders{WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba};
    for (auto const table : {Table::holding, Table::input}) {
        for (std::size_t i = 0; i < orders.size(); ++i) {
            CAPTURE(to_word(table), i);
            auto const base = static_cast<int>(7 * i), floats = static_cast<int>(100 + 10 * i);
            auto const read = [&](RegisterType type, int address, WordOrder order) {
                fleet::Signal signal;
                signal.table = table;
                signal.type = type;
                signal.order = order;
                signal.address = static_cast<std::uint16_t>(address);
                return value_of(line, signal);
            };
            CHECK(read(RegisterType::uint16, base, WordOrder::abcd) == 54321.0);
            CHECK(read(RegisterType::int16, base + 1, WordOrder::abcd) == -12345.0);
            CHECK(read(RegisterType::uint32, base + 2, orders[i]) == 3000000123.0);
            CHECK(read(RegisterType::int32, base + 4, orders[i]) == -2000000123.0);
            CHECK(read(RegisterType::float32, floats, orders[i]) == static_cast<double>(123.456F));
            CHECK(read(RegisterType::float32, floats + 2, orders[i]) == -0.0625);
            CHECK(read(RegisterType::float32, floats + 4, orders[i]) == static_cast<double>(9.092F));
        }
    }
    std::vector<std::uint16_t> bits;
    for (auto const& [table, every] : {std::pair{Table::coil, 3}, std::pair{Table::discrete, 5}}) {
        REQUIRE(line.read(server_unit, {table, 1, 150}, bits).has_value());
        for (int n = 1; n <= 150; ++n) {
            CAPTURE(to_word(table), n);
            CHECK(bits[static_cast<std::size_t>(n - 1)] == (n % every == 0 ? 1 : 0));
        }
    }
    std::vector<std::uint16_t> words;
    auto const beyond = line.read(server_unit, {Table::holding, 5000, 2}, words);
    REQUIRE(beyond.has_error());
    CHECK(beyond.error() == LinkError{Fault::exception, 2});
}
