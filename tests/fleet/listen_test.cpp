#include "fleet/listen.h"

#include <catch2/catch.hpp>

namespace probekeeper::fleet {
namespace {

TEST_CASE("an address to listen on is a host and a port", "[fleet]") {
    auto const four = parse_listen("127.0.0.1:8080");
    REQUIRE(four);
    CHECK(four->host == "127.0.0.1");
    CHECK(four->port == 8080);
    auto const six = parse_listen("[::1]:65535");
    REQUIRE(six);
    CHECK(six->host == "::1");
    CHECK(parse_listen("localhost:1"));
    for (auto const* text : {"", ":", "8080", ":8080", "host:", "host:0", "host:65536", "host:-1", "host:x",
                             "::1:80", "[::1]", "[::1:80", "[x]:80", "a b:80", "http://host:80"}) {
        CAPTURE(text);
        CHECK_FALSE(parse_listen(text));
    }
}

TEST_CASE("loopback is what no other machine can reach", "[fleet]") {
    for (auto const* host : {"127.0.0.1", "127.255.0.9", "::1", "0:0:0:0:0:0:0:1", "localhost"}) {
        CAPTURE(host);
        CHECK(is_loopback(host));
    }
    for (auto const* host :
         {"0.0.0.0", "::", "10.0.0.1", "128.0.0.1", "localhost.example", "127.example", ""}) {
        CAPTURE(host);
        CHECK_FALSE(is_loopback(host));
    }
}

TEST_CASE("a network is an address with or without the length of its prefix", "[fleet]") {
    for (auto const* text : {"10.1.0.0/16", "0.0.0.0/0", "fd00::/8", "10.0.0.7", "::1"}) {
        CAPTURE(text);
        CHECK(is_network(text));
    }
    for (auto const* text :
         {"", "/", "10.1.0.0/", "10.1.0.0/33", "fd00::/129", "10.1/16", "10.1.0.0/-1", "any"}) {
        CAPTURE(text);
        CHECK_FALSE(is_network(text));
    }
}

}  // namespace
}  // namespace probekeeper::fleet
