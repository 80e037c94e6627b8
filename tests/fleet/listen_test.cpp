#include "fleet/listen.h"

#include <catch2/catch.hpp>

namespace probekeeper::fleet {
namespace {

TEST_CASE("an address to listen on is numeric, or localhost, and a port", "[fleet]") {
    auto const four = parse_listen("127.0.0.1:8080");
    REQUIRE(four);
    CHECK(four->host == "127.0.0.1");
    CHECK(four->port == 8080);
    auto const six = parse_listen("[::1]:65535");
    REQUIRE(six);
    CHECK(six->host == "::1");
    REQUIRE(parse_listen("localhost:1"));
    CHECK(parse_listen("localhost:1")->host == "127.0.0.1");
    for (auto const* text : {"", ":", "8080", ":8080", "host:", "1.2.3.4:0", "1.2.3.4:65536", "1.2.3.4:-1",
                             "1.2.3.4:x", "probes.example:80", "1.2.3:80", "::1:80", "[::1]", "[::1:80",
                             "[x]:80", "a b:80", "http://host:80"}) {
        CAPTURE(text);
        CHECK_FALSE(parse_listen(text));
    }
}

TEST_CASE("loopback is what no other machine can reach", "[fleet]") {
    for (auto const* host : {"127.0.0.1", "127.255.0.9", "::1", "0:0:0:0:0:0:0:1"}) {
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

TEST_CASE("an address lies in a network where the prefix is the same", "[fleet]") {
    CHECK(in_network("10.1.255.9", "10.1.0.0/16"));
    CHECK_FALSE(in_network("10.2.0.0", "10.1.0.0/16"));
    CHECK(in_network("10.0.0.5", "10.0.0.4/31"));
    CHECK_FALSE(in_network("10.0.0.6", "10.0.0.4/31"));
    CHECK(in_network("10.0.0.7", "10.0.0.7"));
    CHECK_FALSE(in_network("10.0.0.8", "10.0.0.7"));
    CHECK(in_network("203.0.113.1", "0.0.0.0/0"));
    CHECK(in_network("fd00::1", "fd00::/8"));
    CHECK_FALSE(in_network("fe00::1", "fd00::/8"));
    CHECK_FALSE(in_network("::1", "0.0.0.0/0"));
    CHECK_FALSE(in_network("10.0.0.1", "10.0.0.0/33"));
    CHECK_FALSE(in_network("gateway", "0.0.0.0/0"));
}

}  // namespace
}  // namespace probekeeper::fleet
