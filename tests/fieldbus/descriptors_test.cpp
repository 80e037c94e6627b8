// libmodbus 3.1.6 aborts the process on a descriptor of 1024 or more; these tests open that many.
#include <catch2/catch.hpp>

#include <fcntl.h>
#include <sys/resource.h>

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
    if (limit.rlim_cur < first_high_descriptor + 64) {
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

}  // namespace

TEST_CASE("with no low descriptor left a TCP line says so, and works again when there is one",
          "[fieldbus][descriptors]") {
    SimulatedDevice const device{answers};
    fleet::Line settings;
    settings.host = "127.0.0.1";
    settings.port = device.port();
    Line line{settings};
    {
        std::vector<Descriptor> taken;
        if (!take_low_numbers(taken)) {
            return;
        }
        auto const opened = line.open();
        REQUIRE(opened.has_error());
        CHECK(opened.error().fault == Fault::no_descriptor);
        CHECK(opened.error().code >= first_high_descriptor);
        taken.erase(taken.begin() + 100);
        REQUIRE(line.open().has_value());
        std::vector<std::uint16_t> words;
        REQUIRE(line.read(1, {fleet::Table::holding, 0, 1}, words).has_value());
        CHECK(words == std::vector<std::uint16_t>{42});
    }
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

TEST_CASE("other descriptors move up and leave the low numbers to Modbus", "[fieldbus][descriptors]") {
    std::vector<Descriptor> taken;
    if (!take_low_numbers(taken)) {
        return;
    }
    taken.erase(taken.begin());
    int const low = ::open("/dev/null", O_RDONLY);
    REQUIRE(low < first_high_descriptor);
    int const moved = keep_low_descriptors(low);
    Descriptor const owner{moved};
    CHECK(moved >= first_high_descriptor);
    CHECK((::fcntl(moved, F_GETFD) & FD_CLOEXEC) != 0);
    CHECK(::fcntl(low, F_GETFD) == -1);
    CHECK(keep_low_descriptors(moved) == moved);
}
