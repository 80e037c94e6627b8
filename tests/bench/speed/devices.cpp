// Simulated devices for the benchmark of a whole fleet:   bench_devices LINES
// Prints a port a line, and serves until its standard input ends.
#include <sys/resource.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <thread>

#include "modbus_peer.h"

using namespace probekeeper::bench;

int main(int argc, char** argv) {
    int const lines = argc == 2 ? std::atoi(argv[1]) : 0;
    if (lines < 1) {
        std::fputs("usage: bench_devices LINES\n", stderr);
        return 2;
    }
    rlimit files{};
    ::getrlimit(RLIMIT_NOFILE, &files);
    files.rlim_cur = files.rlim_max;
    ::setrlimit(RLIMIT_NOFILE, &files);
    std::vector<Listener> listeners;
    for (int i = 0; i < lines; ++i) {
        listeners.push_back(listen_on_loopback());
        std::printf("%d\n", static_cast<int>(listeners.back().port));
    }
    std::fflush(stdout);
    std::thread{[] {
        char byte = 0;
        while (::read(STDIN_FILENO, &byte, 1) > 0) {
        }
        std::_Exit(0);
    }}.detach();
    serve_modbus(listeners, {});
}
