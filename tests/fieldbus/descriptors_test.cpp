// On a serial line libmodbus 3.1.6 aborts the process on a descriptor of 1024 or more; these tests open that
// many.
#include <catch2/catch.hpp>

#include <fcntl.h>
#include <sys/resource.h>

#include <cerrno>

#include "fieldbus/descriptors.h"
#include "fieldbus/line.h"
#include "fieldbus/printing.h"
#include "fieldbus/serial_device.h"
#include "fieldbus/simulated_device.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;

namespace {

// Every number below 1024 taken; false where the limit does not let us go above.
bool take_low_numbers(std::vector<Descriptor>& taken) {
    rlimit limit{};
    ::getrlimit(RLIMIT_NOFILE, &limit);
    limit.rlim_cur = limit.rlim_max;
    ::setrlimit(RLIMIT_NOFILE, &limit);
    if (limit.rlim_cur < sockets::first_high_descriptor + 64) {
        WARN("the open files limit is " << limit.rlim_cur << ", too low for this test");
        return false;
    }
    do {
        taken.emplace_back(::open("/dev/null", O_RDONLY | O_CLOEXEC));
    } while (taken.back().fits_select());
    return true;
}

Conduct answers(Request const& request) {
    return says(tcp_frame(request, right_pdu(request, [](auto, int) { return std::uint16_t{42}; })));
}

fleet::Line line_to(SimulatedDevice const& device) {
    fleet::Line line;
    line.host = "127.0.0.1";
    line.port = device.port();
    return line;
}

}  // namespace

TEST_CASE("a TCP line takes no low descriptor, and needs none", "[fieldbus][descriptors]") {
    SimulatedDevice const device{answers};
    Line line{line_to(device)};
    std::vector<Descriptor> taken;
    if (!take_low_numbers(taken)) {
        return;
    }
    auto const opens_and_reads = [&] {
        std::vector<std::uint16_t> words;
        return line.open().has_value() && line.read(1, {fleet::Table::holding, 0, 1}, words).has_value() &&
               words == std::vector<std::uint16_t>{42};
    };
    CHECK(opens_and_reads());
    line.close();
    taken.resize(taken.size() - 3);  // the high one and two low ones, of which the device takes one
    REQUIRE(opens_and_reads());
    taken.emplace_back(::open("/dev/null", O_RDONLY | O_CLOEXEC));
    CHECK(taken.back().fits_select());
}

TEST_CASE("with no descriptor left at all a TCP line says so, and works again when there is one",
          "[fieldbus][descriptors]") {
    SimulatedDevice const device{answers};
    Line line{line_to(device)};
    Descriptor const next{::open("/dev/null", O_RDONLY | O_CLOEXEC)};
    rlimit before{};
    ::getrlimit(RLIMIT_NOFILE, &before);
    auto none_left = before;
    none_left.rlim_cur = static_cast<rlim_t>(next.get());  // all below are taken
    ::setrlimit(RLIMIT_NOFILE, &none_left);
    auto const opened = line.open();
    ::setrlimit(RLIMIT_NOFILE, &before);
    REQUIRE(opened.has_error());
    CHECK(opened.error() == LinkError{Fault::no_descriptor, EMFILE});
    CHECK(line.open().has_value());
}

TEST_CASE("with no low descriptor left a serial line says so", "[fieldbus][descriptors]") {
    SerialDevice const device{[](Request const&) { return Bytes{}; }};
    fleet::Line settings;
    settings.transport = fleet::Transport::rtu;
    settings.device = device.path();
    Line line{settings};
    std::vector<Descriptor> taken;
    if (!take_low_numbers(taken)) {
        return;
    }
    auto const opened = line.open();
    REQUIRE(opened.has_error());
    CHECK(opened.error().fault == Fault::no_descriptor);
}

TEST_CASE("other descriptors move up and leave the low numbers to serial lines", "[fieldbus][descriptors]") {
    std::vector<Descriptor> taken;
    if (!take_low_numbers(taken)) {
        return;
    }
    taken.erase(taken.begin());
    int const low = ::open("/dev/null", O_RDONLY);
    REQUIRE(low < sockets::first_high_descriptor);
    int const moved = sockets::moved_up(low);
    Descriptor const owner{moved};
    CHECK(moved >= sockets::first_high_descriptor);
    CHECK((::fcntl(moved, F_GETFD) & FD_CLOEXEC) != 0);
    CHECK(::fcntl(low, F_GETFD) == -1);
    CHECK(sockets::moved_up(moved) == moved);
}
