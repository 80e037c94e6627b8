// Bad requests, slow clients, strangers, and the end of the server.
#include <dirent.h>
#include <sys/resource.h>
#include <sys/socket.h>

#include <array>
#include <boost/json/parse.hpp>
#include <boost/json/value.hpp>
#include <catch2/catch.hpp>
#include <cstdio>
#include <cstdlib>
#include <future>
#include <thread>

#include "api/client.h"
#include "api/estate.h"

namespace json = boost::json;
using probekeeper::api::Limits;
using std::chrono::milliseconds;

namespace {

std::string type_of(Reply const& reply) {
    REQUIRE(reply.header("content-type") == "application/problem+json");
    return std::string{json::parse(reply.body).at("type").as_string()};
}

std::string const records = "/v1/probes/tank-1/service-records";

// A request header to `records` with these lines.
std::string post_header(std::string const& lines) {
    return "POST " + records + " HTTP/1.1\r\nHost: localhost\r\n" + lines + "\r\n";
}

}  // namespace

TEST_CASE("requests of one connection are answered in order, pipelined ones too", "[api]") {
    Served served;
    Client client{served.port()};
    std::string many;
    for (int i = 0; i < 50; ++i) {
        many += i % 2 == 0 ? "GET /v1/probes/tank-1 HTTP/1.1\r\nHost: localhost\r\n\r\n"
                           : "GET /v1/probes/tank-2/diagnosis HTTP/1.1\r\nHost: localhost\r\n\r\n";
    }
    client.send(many);
    for (int i = 0; i < 50; ++i) {
        auto const answer = json::parse(client.receive().body);
        CHECK(answer.as_object().contains(i % 2 == 0 ? "id" : "t90"));
    }
}

TEST_CASE("a connection closes when the client says so, and by default in HTTP/1.0", "[api]") {
    Served served;
    auto const request =
        GENERATE(as<std::string>{}, "GET /v1/health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
                 "GET /v1/health HTTP/1.0\r\n\r\n");
    Client client{served.port()};
    client.send(request);
    CHECK(client.receive().status == 200);
    client.await_end();
}

TEST_CASE("an absolute address as target is answered like its path", "[api]") {
    Served served;
    Client client{served.port()};
    CHECK(client.get("http://localhost:8080/v1/health").status == 200);
    CHECK(client.get("http://evil.example/v1/health").status == 421);
    CHECK(client.get("ftp://localhost/v1/health").status == 400);
}

TEST_CASE("on loopback only names of this machine pass as Host", "[api]") {
    Served served;
    auto const [host, status] = GENERATE(table<std::string, int>({
        {"localhost", 200},
        {"LOCALHOST:8080", 200},
        {"127.0.0.1:1", 200},
        {"[::1]:8080", 200},
        {"evil.example", 421},
        {"localhost.evil.example", 421},
        {"127.0.0.1.evil.example", 421},
        {"localhost:80:80", 421},
        {"localhost:80x", 421},
        {"user@localhost", 421},
        {"", 421},
    }));
    CAPTURE(host);
    Client client{served.port()};
    client.send("GET /v1/health HTTP/1.1\r\nHost: " + host + "\r\n\r\n");
    CHECK(client.receive().status == status);
}

TEST_CASE("a request without Host, or with two, is malformed", "[api]") {
    Served served;
    Client client{served.port()};
    client.send("GET /v1/health HTTP/1.1\r\n\r\n");
    CHECK(client.receive().status == 400);
    client.send("GET /v1/health HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n");
    CHECK(client.receive().status == 400);
}

TEST_CASE("only pages of this server and of allowed origins may change anything", "[api]") {
    Served served{{}, {"https://panel.example"}};
    Client client{served.port()};
    std::string const body = R"({"kind": "inspection"})";
    CHECK(client.post(records, body).status == 201);
    CHECK(client.post(records, body, "Origin: http://localhost\r\n").status == 201);
    auto const allowed = client.post(records, body, "Origin: https://panel.example\r\n");
    CHECK(allowed.status == 201);
    CHECK(allowed.header("access-control-allow-origin") == "https://panel.example");
    for (std::string const origin :
         {"https://evil.example", "null", "http://localhost:9", "http://localhost.evil"}) {
        Client stranger{served.port()};
        auto const refused = stranger.post(records, body, "Origin: " + origin + "\r\n");
        CHECK(refused.status == 403);
        CHECK(type_of(refused) == "/problems/origin-refused");
        CHECK(refused.header("access-control-allow-origin").empty());
    }
    CHECK(json::parse(client.get(records).body).at("items").as_array().size() == 3);
}

TEST_CASE("a browser's preflight is answered for allowed origins", "[api]") {
    Served served{{}, {"https://panel.example"}};
    Client client{served.port()};
    auto const preflight = [&](std::string const& origin) {
        client.send("OPTIONS " + records + " HTTP/1.1\r\nHost: localhost\r\nOrigin: " + origin +
                    "\r\nAccess-Control-Request-Method: POST\r\n\r\n");
        return client.receive();
    };
    CHECK(preflight("https://panel.example")
              .header("access-control-allow-headers")
              .find("Authorization, Content-Type") == 0);
    CHECK(preflight("https://evil.example").header("access-control-allow-headers").empty());
}

TEST_CASE("a body that is not JSON is refused, with the place where it stops being it", "[api]") {
    Served served;
    Client client{served.port()};
    auto const [body, position] = GENERATE(table<std::string, int>({
        {"", 0},
        {R"({"kind": "moved")", 16},
        {R"({"kind": moved})", 9},
        {R"({"kind": "moved"} x)", 18},
        {"\xEF\xBB\xBF{}", 0},
        {"{\"note\": \"\xFF\"}", 10},
        {"{\"note\": NaN}", 9},
    }));
    CAPTURE(body);
    auto const reply = client.post(records, body);
    CHECK(reply.status == 400);
    CHECK(type_of(reply) == "/problems/malformed-json");
    CHECK(json::parse(reply.body).at("position") == position);
}

TEST_CASE("JSON that is no object, or too deep, is refused", "[api]") {
    Served served;
    Client client{served.port()};
    for (std::string const body : {"[]", "1", "null", "\"kind\""}) {
        CHECK(client.post(records, body).status == 422);
    }
    auto const deep =
        client.post(records, R"({"note": )" + std::string(100'000, '[') + std::string(100'000, ']') + "}");
    CHECK(deep.status == 400);
    CHECK_THAT(deep.body, Catch::Contains("more than 32 levels"));
    CHECK(client.post(records, R"({"kind": "moved", "air_percent": 1e999})").status >= 400);
}

TEST_CASE("a POST must say that its body is JSON, uncompressed", "[api]") {
    Served served;
    auto const [lines, status] = GENERATE(table<std::string, int>({
        {"Content-Type: application/json; charset=UTF-8\r\n", 201},
        {"Content-Type: APPLICATION/JSON\r\n", 201},
        {"", 415},
        {"Content-Type: text/plain\r\n", 415},
        {"Content-Type: application/json; charset=latin1\r\n", 415},
        {"Content-Type: application/x-www-form-urlencoded\r\n", 415},
        {"Content-Type: application/json\r\nContent-Encoding: gzip\r\n", 415},
    }));
    CAPTURE(lines);
    Client client{served.port()};
    client.send(post_header(lines + "Content-Length: 16\r\n") + R"({"kind":"moved"})");
    CHECK(client.receive().status == status);
}

TEST_CASE("a chunked body is read like any other", "[api]") {
    Served served;
    Client client{served.port()};
    client.send(post_header("Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n") +
                "8\r\n{\"kind\":\r\n8\r\n\"moved\"}\r\n0\r\n\r\n");
    CHECK(client.receive().status == 201);
    CHECK(client.get("/v1/health").status == 200);
}

TEST_CASE("a client that waits for leave to send its body gets it, or the refusal at once", "[api]") {
    Served served;
    Client client{served.port()};
    client.send(
        post_header("Content-Type: application/json\r\nContent-Length: 16\r\nExpect: 100-continue\r\n"));
    CHECK(client.receive().status == 100);
    client.send(R"({"kind":"moved"})");
    CHECK(client.receive().status == 201);
    client.send(post_header("Content-Type: text/csv\r\nContent-Length: 16\r\nExpect: 100-continue\r\n"));
    CHECK(client.receive().status == 415);
    Client other{served.port()};
    other.send(post_header("Content-Type: application/json\r\nContent-Length: 16\r\nExpect: tea\r\n"));
    CHECK(other.receive().status == 417);
}

TEST_CASE("a body over the limit is 413, announced or not", "[api]") {
    Served served;
    {
        Client client{served.port()};
        client.send(post_header("Content-Type: application/json\r\nContent-Length: 1048577\r\n"));
        auto const reply = client.receive();
        CHECK(reply.status == 413);
        CHECK(type_of(reply) == "/problems/body-too-large");
        client.finish_sending();
        client.await_end();
    }
    Client client{served.port()};
    client.send(post_header("Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n"));
    std::string const chunk = "10000\r\n" + std::string(65536, ' ') + "\r\n";
    for (int i = 0; i < 20; ++i) {
        client.send(chunk);
    }
    CHECK(client.receive().status == 413);
    Client largest{served.port()};
    std::string const body = R"({"kind":"moved"})" + std::string(1024 * 1024 - 16, ' ');
    CHECK(largest.post(records, body).status == 201);
}

TEST_CASE("a header over the limit is 431", "[api]") {
    Served served;
    auto const request = GENERATE(
        "GET /v1/health HTTP/1.1\r\nHost: localhost\r\nX: " + std::string(20'000, 'x'),
        "GET /" + std::string(20'000, 'x'), "GET /v1/health HTTP/1.1\r\nHost: localhost\r\n" + [] {
            std::string lines;
            for (int i = 0; i < 4000; ++i) {
                lines += "A: b\r\n";
            }
            return lines;
        }());
    Client client{served.port()};
    client.send(request);
    auto const reply = client.receive();
    CHECK(reply.status == 431);
    CHECK(type_of(reply) == "/problems/header-too-large");
}

TEST_CASE("what is not HTTP is refused or dropped, and hurts nobody", "[api]") {
    Served served;
    auto const bytes = GENERATE(
        as<std::string>{}, std::string("\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", 11),
        "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "GET /v1/health HTTP/3.0\r\n\r\n", "GET /v1/health\r\n\r\n",
        "GET  /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n", "\r\n\r\n\r\n\r\n",
        "GET /v1/health HTTP/1.1\r\nHost : localhost\r\n\r\n",
        "GET /v1/health HTTP/1.1\r\nHost: local\x01host\r\n\r\n",
        "POST /v1/health HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        "POST /v1/health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nabcde",
        "POST /v1/health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: "
        "chunked\r\n\r\n0\r\n\r\n",
        std::string("GET /v1/health\0 HTTP/1.1\r\nHost: localhost\r\n\r\n", 46),
        "GET /v1/%zz HTTP/1.1\r\nHost: localhost\r\n\r\n", "GET * HTTP/1.1\r\nHost: localhost\r\n\r\n",
        "CONNECT localhost:80 HTTP/1.1\r\nHost: localhost\r\n\r\n");
    CAPTURE(bytes);
    Client client{served.port()};
    client.send(bytes);
    client.finish_sending();
    try {
        auto const status = client.receive().status;
        CHECK((status == 400 || status == 505));
    } catch (std::runtime_error const&) {
        SUCCEED("closed without an answer");
    }
    CHECK(Client{served.port()}.get("/v1/health").status == 200);
}

TEST_CASE("a client that is too slow gets 408 once its request has begun, and is dropped before", "[api]") {
    Limits limits;
    limits.idle = milliseconds{50};
    limits.header = milliseconds{50};
    limits.body = milliseconds{50};
    Served served{limits};
    Client idle{served.port()};
    idle.await_end();
    Client slow_header{served.port()};
    slow_header.send("GET /v1/health HTTP/1.1\r\nHost:");
    auto const late = slow_header.receive();
    CHECK(late.status == 408);
    CHECK(late.header("connection") == "close");
    Client slow_body{served.port()};
    slow_body.send(post_header("Content-Type: application/json\r\nContent-Length: 16\r\n") + R"({"kind")");
    CHECK(slow_body.receive().status == 408);
}

TEST_CASE("a client that does not read its answers is dropped", "[api]") {
    Limits limits;
    limits.write = milliseconds{50};
    Served served{limits};
    Client client{served.port()};
    std::string const request = "GET /v1/probes HTTP/1.1\r\nHost: localhost\r\n\r\n";
    bool open = true;
    for (int i = 0; open && i < 200'000; ++i) {
        open = client.send(request);
    }
    CHECK_FALSE(open);
}

TEST_CASE("connections beyond the limit are told so, and places become free again", "[api]") {
    Limits limits;
    limits.connections = 2;
    Served served{limits};
    auto first = std::make_unique<Client>(served.port());
    CHECK(first->get("/v1/health").status == 200);
    Client second{served.port()};
    CHECK(second.get("/v1/health").status == 200);
    Client third{served.port()};
    auto const refused = third.receive();
    CHECK(refused.status == 503);
    CHECK(refused.header("retry-after") == "5");
    first->send("GET /v1/health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
    CHECK(first->receive().status == 200);
    first->await_end();
    // The server forgets the connection just after it closed it: ask until it has.
    int status = 503;
    for (int i = 0; i < 1000 && status == 503; ++i) {
        Client next{served.port()};
        next.send("GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n");
        status = next.receive().status;
    }
    CHECK(status == 200);
}

TEST_CASE("many clients at once are all answered, reading and writing", "[api]") {
    Served served;
    constexpr int clients = 16, rounds = 25;
    std::vector<std::future<int>> good;
    for (int c = 0; c < clients; ++c) {
        good.push_back(std::async(std::launch::async, [&] {
            Client client{served.port()};
            int count = 0;
            for (int i = 0; i < rounds; ++i) {
                count += client.get("/v1/probes/tank-1/diagnosis").status == 200 ? 1 : 0;
                count += client.post(records, R"({"kind": "inspection"})",
                                     "Idempotency-Key: " + std::to_string(i) + "\r\n")
                                     .status == 201
                             ? 1
                             : 0;
            }
            return count;
        }));
    }
    for (auto& one : good) {
        CHECK(one.get() == 2 * rounds);
    }
    Client client{served.port()};
    CHECK(json::parse(client.get(records + "?limit=1000").body).at("items").as_array().size() == rounds);
}

TEST_CASE("a server that stops finishes the request under way, and closes idle connections", "[api]") {
    Served served;
    std::promise<void> begun, go_on;
    served.estate.before_diagnosis = [&] {
        begun.set_value();
        go_on.get_future().wait();
    };
    Client busy{served.port()}, idle{served.port()};
    CHECK(idle.get("/v1/health").status == 200);
    busy.send("GET /v1/probes/tank-1/diagnosis HTTP/1.1\r\nHost: localhost\r\n\r\n");
    begun.get_future().wait();
    std::thread stopper{[&] { served.server->stop(); }};
    idle.await_end();  // the stop has begun
    CHECK_THROWS(Client{served.port()});
    go_on.set_value();
    auto const last = busy.receive();
    CHECK(last.status == 200);
    CHECK(last.header("connection") == "close");
    busy.await_end();
    stopper.join();
    served.server->stop();  // again: nothing happens
}

TEST_CASE("a server that stops waits no longer for a client than it said", "[api]") {
    Limits limits;
    limits.stop_within = milliseconds{50};
    Served served{limits};
    Client client{served.port()};
    CHECK(client.get("/v1/health").status == 200);
    client.send("GET /v1/health HTT");
    Client other{served.port()};
    CHECK(other.get("/v1/health").status == 200);
    served.server->stop();
    CHECK_THROWS(client.receive());
}

TEST_CASE("an address that cannot be had is told in a sentence", "[api]") {
    Served served;
    probekeeper::api::Options options;
    options.port = served.port();
    CHECK_THROWS_WITH(
        probekeeper::api::Server(options, served.estate, nullptr),
        "cannot listen on 127.0.0.1 port " + std::to_string(served.port()) + ": Address already in use");
    options.address = "localhost";
    CHECK_THROWS_WITH(probekeeper::api::Server(options, served.estate, nullptr),
                      Catch::Contains("no IP address"));
}

TEST_CASE("connections leave the low descriptors to the Modbus lines", "[api]") {
    rlimit files{};
    REQUIRE(::getrlimit(RLIMIT_NOFILE, &files) == 0);
    files.rlim_cur = std::min<rlim_t>(files.rlim_max, 4096);
    REQUIRE(::setrlimit(RLIMIT_NOFILE, &files) == 0);
    if (files.rlim_cur < 2048) {
        WARN("skipped: this machine gives no descriptors beyond 1024");
        return;
    }
    Served served;
    Client client{served.port()};
    CHECK(client.get("/v1/health").status == 200);
    bool high = false;
    DIR* const open = ::opendir("/proc/self/fd");
    REQUIRE(open != nullptr);
    while (auto const* entry = ::readdir(open)) {
        high = high || std::atoi(entry->d_name) >= 1024;
    }
    ::closedir(open);
    CHECK(high);
}

TEST_CASE("curl, which is not ours, can talk to it", "[api]") {
    if (std::system("command -v curl >/dev/null 2>&1") != 0) {
        WARN("skipped: there is no curl here");
        return;
    }
    Served served;
    auto const run = [&](std::string const& arguments) {
        std::string out;
        auto const command = "curl -s -m 30 -w ' %{http_code}' " + arguments +
                             " http://localhost:" + std::to_string(served.port());
        FILE* const pipe = ::popen((command + "/v1/tickets/saltmarsh-17/acknowledge").c_str(), "r");
        REQUIRE(pipe != nullptr);
        std::array<char, 4096> piece{};
        while (auto const count = std::fread(piece.data(), 1, piece.size(), pipe)) {
            out.append(piece.data(), count);
        }
        ::pclose(pipe);
        return out;
    };
    CHECK_THAT(run("-4 --json '{\"by\": \"op\"}'"),
               Catch::Contains("acknowledged") && Catch::EndsWith(" 200"));
    CHECK_THAT(run("-4"), Catch::EndsWith(" 405"));
}
