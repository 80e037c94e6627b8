#include "scada/server.h"

#include <spdlog/sinks/null_sink.h>

#include <atomic>
#include <boost/asio/connect.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>
#include <catch2/catch.hpp>

namespace probekeeper::scada {
namespace {

namespace net = boost::asio;
using net::ip::tcp;
using Bytes = std::vector<std::uint8_t>;

std::shared_ptr<spdlog::logger> quiet() {
    return std::make_shared<spdlog::logger>("quiet", std::make_shared<spdlog::sinks::null_sink_mt>());
}

EstateNow estate() {
    EstateNow out;
    out.probes.emplace_back();
    out.probes.back().number = 1;
    out.probes.back().id = "tank-1";
    return out;
}

Options quick() {
    Options options;
    options.fresh = std::chrono::milliseconds{10};
    return options;
}

Feed feed(std::function<std::optional<EstateNow>()> source = estate) {
    Feed out;
    out.source = std::move(source);
    return out;
}

class Client {
public:
    explicit Client(std::uint16_t port) { socket_.connect({net::ip::address_v4::loopback(), port}); }
    void send(Bytes const& bytes) { net::write(socket_, net::buffer(bytes)); }
    Bytes receive(std::size_t bytes) {
        Bytes out(bytes);
        net::read(socket_, net::buffer(out));
        return out;
    }
    Bytes ask(std::uint16_t first) {
        send({0, 9, 0, 0, 0, 6, 1, 3, static_cast<std::uint8_t>(first >> 8), static_cast<std::uint8_t>(first),
              0, 1});
        return receive(11);
    }
    // Waits for the server to end the connection.
    bool closed() {
        std::array<char, 1> byte{};
        boost::system::error_code error;
        net::read(socket_, net::buffer(byte), error);
        return error == net::error::eof || error == net::error::connection_reset;
    }

private:
    net::io_context io_;
    tcp::socket socket_{io_};
};

TEST_CASE("a client that sends a byte and no more harms nobody and is let go", "[scada][server]") {
    auto options = quick();
    options.frame = std::chrono::milliseconds{200};
    Server const server{options, feed(), quiet()};
    Client trickling{server.port()};
    trickling.send({0});
    std::vector<std::unique_ptr<Client>> others;
    for (int i = 0; i < 32; ++i) {
        others.push_back(std::make_unique<Client>(server.port()));
    }
    for (auto const& other : others) {
        CHECK(other->ask(0) == Bytes{0, 9, 0, 0, 0, 5, 1, 3, 2, 0, layout_version});
    }
    CHECK(trickling.closed());
    CHECK(others.front()->ask(100).back() == 1);
}

TEST_CASE("requests that come together are answered in order, and one in pieces is answered",
          "[scada][server]") {
    Server const server{quick(), feed(), quiet()};
    Client client{server.port()};
    client.send({0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1, 0, 2, 0, 0, 0, 6, 1, 3, 0, 2, 0, 1, 0, 3, 0});
    CHECK(client.receive(22) ==
          Bytes{0, 1, 0, 0, 0, 5, 1, 3, 2, 0, layout_version, 0, 2, 0, 0, 0, 5, 1, 3, 2, 0, 1});
    for (std::uint8_t const byte : Bytes{0, 0, 6, 1, 3, 0, 0, 0, 1}) {
        client.send({byte});
    }
    CHECK(client.receive(11) == Bytes{0, 3, 0, 0, 0, 5, 1, 3, 2, 0, layout_version});
}

TEST_CASE(
    "where there are many requests each is answered rightly, and none waits for a client that says nothing",
    "[scada][server]") {
    auto options = quick();
    options.many = 1;  // from the first on
    Server const server{options, feed(), quiet()};
    Client silent{server.port()};
    silent.send({0});
    std::vector<std::unique_ptr<Client>> clients;
    for (int i = 0; i < 8; ++i) {
        clients.push_back(std::make_unique<Client>(server.port()));
    }
    for (int round = 0; round < 20; ++round) {
        for (auto const& client : clients) {
            client->send({0, 9, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1});
        }
        for (auto const& client : clients) {
            CHECK(client->receive(11) == Bytes{0, 9, 0, 0, 0, 5, 1, 3, 2, 0, layout_version});
        }
    }
    clients.front()->send({0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1, 0, 2, 0, 0, 0, 6, 1, 3, 0, 2, 0, 1});
    CHECK(clients.front()->receive(22).back() == 1);
}

TEST_CASE("another protocol ends its connection and no other", "[scada][server]") {
    Server const server{quick(), feed(), quiet()};
    Client modbus{server.port()}, other{server.port()};
    other.send({'G', 'E', 'T', ' ', '/'});
    CHECK(other.closed());
    CHECK(modbus.ask(0).back() == layout_version);
}

TEST_CASE("one connection too many is closed at once, and its place comes back", "[scada][server]") {
    auto options = quick();
    options.connections = 1;
    Server const server{options, feed(), quiet()};
    {
        Client first{server.port()};
        CHECK(first.ask(0).back() == layout_version);
        Client second{server.port()};
        CHECK(second.closed());
    }
    for (;;) {  // until the server has seen the end of the first one
        Client third{server.port()};
        try {
            auto const answer = third.ask(0);  // not within CHECK, which would count the refusal as a failure
            CHECK(answer.back() == layout_version);
            break;
        } catch (boost::system::system_error const&) {
        }
    }
}

TEST_CASE("registers follow the estate, and stay while nothing is known", "[scada][server]") {
    std::atomic<int> condition{1};
    auto const source = [&]() -> std::optional<EstateNow> {
        if (condition == 0) {
            return std::nullopt;
        }
        auto now = estate();
        now.probes[0].condition = condition == 1 ? diagnosis::Condition::good : diagnosis::Condition::failure;
        return now;
    };
    Server const server{quick(), feed(source), quiet()};
    Client client{server.port()};
    CHECK(client.ask(101).back() == 1);
    condition = 2;
    while (client.ask(101).back() != 5) {
    }
    condition = 0;
    CHECK(client.ask(101).back() == 5);
}

TEST_CASE("nothing is made while nobody asks", "[scada][server]") {
    std::atomic<int> made{0};
    Server const server{quick(), feed([&] {
                            ++made;
                            return estate();
                        }),
                        quiet()};
    Client client{server.port()};
    CHECK(made == 0);
    client.ask(0);
    CHECK(made == 1);
}

TEST_CASE("a connection outlives a change of what is served, unless it may no longer be", "[scada][server]") {
    Server server{quick(), feed(), quiet()};
    Client client{server.port()};
    CHECK(client.ask(100).back() == 1);
    server.use({});
    CHECK(client.ask(100).back() == 1);  // the registers stay
    server.use(feed([] {
        auto now = estate();
        now.probes[0].number = 2;
        return now;
    }));
    CHECK(client.ask(100).back() == 0);
    CHECK(client.ask(200).back() == 1);
}

// Whose only probe has a ticket that can be marked as seen.
struct Seeable {
    std::atomic<bool> seen{false}, works{true};
    std::atomic<int> asked{0};
    Feed feed() {
        Feed out;
        out.source = [this] {
            auto now = estate();
            now.probes[0].ticket = ProbeNow::Ticket{};
            now.probes[0].ticket->seen = seen;
            return now;
        };
        out.see = [this](std::int64_t number) -> std::optional<Exception> {
            asked = static_cast<int>(number);
            seen = works.load();
            return works ? std::nullopt : std::optional{Exception::server_device_failure};
        };
        return out;
    }
};

Bytes write_to(Client& client, std::uint8_t address, std::uint8_t value, std::size_t answer) {
    client.send({0, 7, 0, 0, 0, 6, 1, 6, 0, address, 0, value});
    return client.receive(answer);
}

TEST_CASE("a ticket is marked as seen by a 1 in its register, and whoever wrote reads it at once",
          "[scada][server]") {
    Seeable estate;
    Server const server{Options{}, estate.feed(), quiet()};
    Client client{server.port()};
    CHECK(client.ask(168).back() == 1);
    CHECK(write_to(client, 168, 1, 12) == Bytes{0, 7, 0, 0, 0, 6, 1, 6, 0, 168, 0, 1});
    CHECK(estate.asked == 1);
    CHECK(client.ask(168).back() == 2);
}

TEST_CASE("what cannot be written is refused by the exception that says why", "[scada][server]") {
    Seeable estate;
    Server server{quick(), estate.feed(), quiet()};
    Client client{server.port()};
    CHECK(write_to(client, 101, 5, 9).back() == 2);
    CHECK(write_to(client, 168, 2, 9).back() == 3);
    estate.works = false;
    CHECK(write_to(client, 168, 1, 9).back() == 4);
    auto without_ticket = estate.feed();
    without_ticket.source = scada::estate;
    server.use(std::move(without_ticket));
    CHECK(write_to(client, 168, 1, 9).back() == 3);
    server.use(feed());  // not allowed
    CHECK(write_to(client, 168, 1, 9).back() == 1);
    CHECK_FALSE(estate.seen);
}

TEST_CASE("an address that is taken is a sentence", "[scada][server]") {
    Server const server{quick(), feed(), quiet()};
    auto options = quick();
    options.port = server.port();
    CHECK_THROWS_WITH(Server(options, feed(), quiet()),
                      Catch::Contains("[scada] cannot listen on 127.0.0.1"));
}

}  // namespace
}  // namespace probekeeper::scada
