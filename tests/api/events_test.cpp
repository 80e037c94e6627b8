#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>
#include <chrono>
#include <thread>

#include "api/client.h"
#include "api/estate.h"

using namespace probekeeper;

namespace {

// Opens the stream and reads its header.
std::unique_ptr<Client> listen(std::uint16_t port, std::string const& more_headers = {},
                               std::string const& query = {}) {
    auto client = std::make_unique<Client>(port);
    auto const opening = client->get("/v1/events" + query, more_headers);
    REQUIRE(opening.status == 200);
    CHECK(opening.header("content-type") == "text/event-stream");
    CHECK(opening.header("cache-control") == "no-store");
    CHECK(client->receive_line() == "retry: 3000");
    CHECK(client->receive_line().empty());
    return client;
}

// The next event as "id kind data".
std::string next(Client& client) {
    std::string out;
    for (auto line = client.receive_line(); !line.empty(); line = client.receive_line()) {
        out += (out.empty() ? "" : " ") + line.substr(line.find(": ") + 2);
    }
    return out;
}

}  // namespace

TEST_CASE("what is told reaches every listener in order, numbered", "[api][events]") {
    Served served;
    auto const a = listen(served.port()), b = listen(served.port());
    served.estate.hub.publish(estate_time, "ticket", "saltmarsh", R"({"id":"saltmarsh-17"})");
    served.estate.hub.publish(estate_time, "line", "saltmarsh", R"({"line":"a"})");
    for (auto const* client : {&a, &b}) {
        CHECK(next(**client) == R"(1001 ticket {"id":"saltmarsh-17"})");
        CHECK(next(**client) == R"(1002 line {"line":"a"})");
    }
}

TEST_CASE("who comes back hears first what it missed, from the store and from memory", "[api][events]") {
    Served served;
    served.estate.stored = {{7, estate_time, "line", "saltmarsh", "7"},
                            {8, estate_time, "line", "saltmarsh", "8"}};
    served.estate.hub.publish(estate_time, "line", "saltmarsh", "1001");
    auto const client = listen(served.port(), "Last-Event-ID: 7\r\n");
    CHECK(next(*client) == "8 line 8");
    CHECK(next(*client) == "1001 line 1001");
    served.estate.hub.publish(estate_time, "line", "saltmarsh", "1002");
    CHECK(next(*client) == "1002 line 1002");
    auto const up_to_date = listen(served.port(), "Last-Event-ID: 1001\r\n");
    CHECK(next(*up_to_date) == "1002 line 1002");
    auto const astray = listen(served.port(), "Last-Event-ID: 99999999\r\n");
    served.estate.hub.publish(estate_time, "line", "saltmarsh", "1003");
    CHECK(next(*astray) == "1003 line 1003");
}

TEST_CASE("who cannot send a header says by the address what it heard, and a header outranks it",
          "[api][events]") {
    Served served;
    for (auto const* const data : {"1001", "1002", "1003"}) {
        served.estate.hub.publish(estate_time, "line", "saltmarsh", data);
    }
    CHECK(next(*listen(served.port(), {}, "?last_event_id=1001")) == "1002 line 1002");
    CHECK(next(*listen(served.port(), "Last-Event-ID: 1002\r\n", "?last_event_id=1001")) == "1003 line 1003");
    CHECK(Client{served.port()}.get("/v1/events?last_event_id=soon").status == 400);
}

TEST_CASE("a stream that has nothing to say still shows that it is there", "[api][events]") {
    api::Limits limits;
    limits.heartbeat = std::chrono::milliseconds{20};
    Served served{limits};
    auto const client = listen(served.port());
    CHECK(client->receive_line() == ": still here");
}

TEST_CASE("a listener that does not read is dropped, and the others hear everything", "[api][events]") {
    api::Limits limits;
    limits.write = std::chrono::milliseconds{300};
    Served served{limits};
    auto const stuck = listen(served.port()), good = listen(served.port());
    std::string const large(200'000, 'x');
    for (int i = 1; i <= 60; ++i) {  // more than any socket's buffers hold
        served.estate.hub.publish(estate_time, "ticket", "saltmarsh", large + std::to_string(i));
        auto const heard = next(*good);
        CHECK(heard.substr(heard.find_last_of('x') + 1) == std::to_string(i));
    }
    Client asking{served.port()};
    auto const deadline = std::chrono::steady_clock::now() + std::chrono::seconds{20};
    std::string metrics;
    while (metrics.find("event_clients_dropped_total 1\n") == std::string::npos) {
        REQUIRE(std::chrono::steady_clock::now() < deadline);
        metrics = asking.get("/metrics").body;
    }
    CHECK(metrics.find("probekeeper_event_clients 1\n") != std::string::npos);
}

TEST_CASE("a server that stops ends its streams at once", "[api][events]") {
    Served served;
    auto const client = listen(served.port());
    auto const begun = std::chrono::steady_clock::now();
    served.server->stop();
    client->await_end();
    CHECK(std::chrono::steady_clock::now() - begun < std::chrono::seconds{5});
}
