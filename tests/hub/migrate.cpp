// Lays out a hub's database for tests that need no hub:  migrate CONNINFO
#include <cstdio>

#include "hub/schema.h"

int main(int argc, char** argv) {
    if (argc != 2) {
        std::fputs("usage: migrate CONNINFO\n", stderr);
        return 2;
    }
    try {
        probekeeper::postgres::Options options;
        options.conninfo = argv[1];
        auto connection = probekeeper::postgres::Connection::open(options);
        probekeeper::hub::migrate(connection);
        return 0;
    } catch (std::exception const& error) {
        std::fprintf(stderr, "migrate: %s\n", error.what());
        return 1;
    }
}
