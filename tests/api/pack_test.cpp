#include <zlib.h>

#include <catch2/catch.hpp>

#include "api/client.h"
#include "api/estate.h"
#include "api/pack.h"

namespace {

std::string unpacked(std::string const& packed) {
    z_stream stream{};
    REQUIRE(inflateInit2(&stream, 15 + 16) == Z_OK);
    std::string out(1'000'000, '\0');
    stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(packed.data()));
    stream.avail_in = static_cast<uInt>(packed.size());
    stream.next_out = reinterpret_cast<Bytef*>(out.data());
    stream.avail_out = static_cast<uInt>(out.size());
    CHECK(inflate(&stream, Z_FINISH) == Z_STREAM_END);
    out.resize(stream.total_out);
    inflateEnd(&stream);
    return out;
}

}  // namespace

TEST_CASE("a large answer comes compressed to who takes it, under a tag of its own", "[api][gzip]") {
    Served served;
    Client client{served.port()};
    auto const plain = client.get("/openapi.json");
    auto const packed = client.get("/openapi.json", "Accept-Encoding: br, gzip;q=0.8\r\n");
    CHECK(plain.header("content-encoding").empty());
    CHECK(packed.header("content-encoding") == "gzip");
    CHECK(packed.body.size() * 3 < plain.body.size());
    CHECK(unpacked(packed.body) == plain.body);
    CHECK(packed.header("etag") != plain.header("etag"));
    CHECK(packed.header("vary").find("Accept-Encoding") != std::string::npos);
    auto const again = client.get(
        "/openapi.json", "Accept-Encoding: gzip\r\nIf-None-Match: " + packed.header("etag") + "\r\n");
    CHECK(again.status == 304);
    CHECK(client.get("/problems/timeout", "Accept-Encoding: gzip\r\n").header("content-encoding").empty());
    CHECK(client.get("/openapi.json", "Accept-Encoding: gzip;q=0, *\r\n").header("content-encoding").empty());
}

TEST_CASE("gzip is taken where it is named or anything is, and not where it is refused", "[api][gzip]") {
    using probekeeper::api::takes_gzip;
    CHECK(takes_gzip("gzip"));
    CHECK(takes_gzip("deflate, GZIP;q=0.1"));
    CHECK(takes_gzip("*"));
    CHECK_FALSE(takes_gzip(""));
    CHECK_FALSE(takes_gzip("identity, br"));
    CHECK_FALSE(takes_gzip("gzip;q=0"));
    CHECK_FALSE(takes_gzip("*;q=0"));
}
