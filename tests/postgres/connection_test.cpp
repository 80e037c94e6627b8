#include "postgres/connection.h"

#include <spdlog/fmt/fmt.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <functional>
#include <thread>

#include "hub/cluster.h"
#include "postgres/destination.h"

using namespace probekeeper;
using postgres::Fault;

namespace {

Fault fault_of(std::function<void()> const& work) {
    try {
        work();
    } catch (postgres::Error const& error) {
        return error.fault();
    }
    FAIL("nothing was thrown");
    return Fault::wrong;
}

}  // namespace

TEST_CASE("only this machine is reached without TLS, unless it is said twice", "[postgres]") {
    auto const problem = [](std::string const& conninfo, bool off = false) {
        return postgres::problem_of(postgres::destination_of(conninfo).value(), off).has_value();
    };
    CHECK_FALSE(problem("dbname=hub"));
    CHECK_FALSE(problem("host=/run/postgresql sslmode=disable"));
    CHECK_FALSE(problem("host=127.0.0.1,::1 sslmode=disable"));
    CHECK_FALSE(problem("host=hub.example"));
    CHECK_FALSE(problem("postgresql://hub.example/probekeeper?sslmode=verify-full"));
    CHECK(problem("host=hub.example sslmode=require"));
    CHECK(problem("host=127.0.0.1,hub.example sslmode=prefer"));
    CHECK(problem("host=localhost hostaddr=10.0.0.7 sslmode=disable"));
    CHECK(problem("service=hub sslmode=disable"));
    CHECK_FALSE(problem("host=hub.example sslmode=require", true));
    CHECK(problem("host=/run/postgresql password=secret"));
    CHECK_FALSE(postgres::destination_of("host=").has_error());
    CHECK(postgres::destination_of("no such thing").has_error());
}

TEST_CASE("values come back as they went, whatever stands in them", "[postgres]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto connection = cluster->connect(cluster->database("postgres"));
    std::vector<std::string> const texts{"a", "", "NULL", "it's \"so\", \\ {x}", "żółw\n"};
    std::vector<double> const numbers{1.0 / 3.0, -0.0, 1e300, std::nan("")};
    std::vector<std::int64_t> const whole{-1, 0, 9'000'000'000};
    auto const at = from_unix_ms(1'795'712'345'678);
    auto const rows = connection.run(
        "SELECT $1::text[], $2::float8[], $3::bigint[], $4::timestamptz, $5::float8, $6::bool, $7::text, "
        "$8::bigint",
        {texts, std::span<double const>{numbers}, std::span<std::int64_t const>{whole}, at, 0.1, true,
         nullptr, std::optional<std::int64_t>{}});
    CHECK(rows.texts(0, 0) == texts);
    auto const got = rows.numbers(0, 1);
    REQUIRE(got.size() == 4);
    CHECK(got[0] == numbers[0]);
    CHECK(std::signbit(got[1]));
    CHECK(got[2] == numbers[2]);
    CHECK(std::isnan(got[3]));
    CHECK(rows.text(0, 2) == "{-1,0,9000000000}");
    CHECK(rows.time(0, 3) == at);
    CHECK(rows.number(0, 4) == 0.1);
    CHECK(rows.boolean(0, 5));
    CHECK(rows.null(0, 6));
    CHECK(rows.null(0, 7));
}

TEST_CASE("faults tell what may be tried again", "[postgres]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto connection = cluster->connect(cluster->fresh_database("faults"));
    connection.script("CREATE TABLE t (k int PRIMARY KEY)");
    CHECK(fault_of([&] { connection.run("SELECT nonsense"); }) == Fault::wrong);
    connection.run("INSERT INTO t VALUES ($1)", {1});
    CHECK(fault_of([&] { connection.run("INSERT INTO t VALUES ($1)", {1}); }) == Fault::conflict);
    CHECK(connection.usable());
    CHECK(fault_of([&] { (void)cluster->connect(cluster->database("nowhere")); }) == Fault::refused);
    CHECK(fault_of([&] { (void)cluster->connect("host=/nowhere"); }) == Fault::lost);

    SECTION("a transaction that failed commits nothing, and says so") {
        {
            postgres::Transaction transaction{connection};
            connection.run("INSERT INTO t VALUES ($1)", {2});
            CHECK_THROWS(connection.run("INSERT INTO t VALUES ($1)", {1}));
            CHECK(fault_of([&] { transaction.commit(); }) == Fault::wrong);
        }
        CHECK(connection.run("SELECT FROM t").size() == 1);
    }
    SECTION("a server that ends the session is a lost connection") {
        auto other = cluster->connect(cluster->database("faults"));
        other.run("SELECT pg_terminate_backend($1)",
                  {connection.run("SELECT pg_backend_pid()").integer(0, 0)});
        CHECK(fault_of([&] { connection.run("SELECT 1"); }) == Fault::lost);
        CHECK_FALSE(connection.usable());
    }
}

TEST_CASE("a statement that takes too long is given up, by the server or by us", "[postgres]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    postgres::Options options;
    options.conninfo = cluster->database("postgres");
    options.answer_within = std::chrono::milliseconds{100};
    auto connection = postgres::Connection::open(options);
    CHECK(fault_of([&] { connection.run("SELECT pg_sleep(60)"); }) == Fault::again);
    CHECK(connection.usable());
}

TEST_CASE("waiting ends by a notification, by time, or by who interrupts", "[postgres]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    std::array<int, 2> ends{};
    REQUIRE(::pipe(ends.data()) == 0);
    postgres::Options options;
    options.conninfo = cluster->database("postgres");
    options.interrupt = ends[0];
    auto connection = postgres::Connection::open(options);
    connection.listen("told");
    CHECK_FALSE(connection.wait(std::chrono::milliseconds{0}));
    auto other = cluster->connect(options.conninfo);
    other.run("SELECT pg_notify('told', $1)", {"site"});
    auto const told = connection.wait(std::chrono::seconds{60});
    REQUIRE(told);
    CHECK(told->channel == "told");
    CHECK(told->payload == "site");
    REQUIRE(::write(ends[1], "x", 1) == 1);
    CHECK(fault_of([&] { (void)connection.wait(std::chrono::seconds{60}); }) == Fault::interrupted);
    ::close(ends[0]);
    ::close(ends[1]);
}

TEST_CASE("verify-full reaches the server that the authority vouches for, and no other", "[postgres][tls]") {
    auto const cluster = tests::Cluster::with_tls();
    if (!cluster) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const password = cluster->authority().parent_path() / "client.password";
    std::ofstream{password} << "secret\n";
    auto const open = [&](std::string const& host, std::filesystem::path const& authority) {
        postgres::Options options;
        options.conninfo =
            fmt::format("host={} port={} dbname=postgres user=postgres sslmode=verify-full sslrootcert={}",
                        host, cluster->port(), authority.string());
        options.password_file = password;
        return postgres::Connection::open(options);
    };
    CHECK(fault_of([&] { (void)open("localhost", cluster->authority()); }) ==
          Fault::refused);  // others may read it
    std::filesystem::permissions(password, std::filesystem::perms::owner_read);
    CHECK(open("localhost", cluster->authority()).encrypted());
    CHECK(fault_of([&] { (void)open("127.0.0.1", cluster->authority()); }) ==
          Fault::refused);  // another name
    auto const other = cluster->authority().parent_path() / "server.pem";
    CHECK(fault_of([&] { (void)open("localhost", other); }) == Fault::refused);
    std::filesystem::permissions(password, std::filesystem::perms::owner_all);
    std::ofstream{password} << "wrong\n";
    try {
        (void)open("localhost", cluster->authority());
        FAIL("a wrong password was taken");
    } catch (postgres::Error const& error) {
        CHECK(error.fault() == Fault::refused);
        CHECK(std::string{error.what()}.find("wrong") == std::string::npos);
    }
}
