#include "hub/cluster.h"

#include <arpa/inet.h>
#include <spdlog/fmt/fmt.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstdlib>
#include <stdexcept>

namespace probekeeper::tests {

namespace fs = std::filesystem;

namespace {

constexpr char const* programs = "/usr/lib/postgresql/15/bin";

void sh(std::string const& command) {
    auto const as = ::geteuid() == 0 ? std::string{"setpriv --reuid nobody --regid nogroup --clear-groups "}
                                     : std::string{};
    if (std::system((as + command).c_str()) != 0) {  // NOLINT(concurrency-mt-unsafe): one thread
        throw std::runtime_error{"failed: " + command};
    }
}

}  // namespace

namespace {

bool installed() {
    return fs::exists(fs::path{programs} / "initdb");
}

int free_port() {
    int const socket = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof address;
    bool const bound = ::bind(socket, reinterpret_cast<sockaddr*>(&address), size) == 0 &&
                       ::getsockname(socket, reinterpret_cast<sockaddr*>(&address), &size) == 0;
    ::close(socket);
    if (!bound) {
        throw std::runtime_error{"no free port"};
    }
    return ntohs(address.sin_port);
}

}  // namespace

Cluster* Cluster::shared() {
    static std::unique_ptr<Cluster> const cluster{installed() ? new Cluster{/*tls=*/false} : nullptr};
    return cluster.get();
}

std::unique_ptr<Cluster> Cluster::with_tls() {
    return std::unique_ptr<Cluster>{installed() ? new Cluster{/*tls=*/true} : nullptr};
}

Cluster::Cluster(bool tls) {
    std::string folder = (fs::temp_directory_path() / "probekeeper-pg-XXXXXX").string();
    if (::mkdtemp(folder.data()) == nullptr) {
        throw std::runtime_error{"no temporary folder"};
    }
    folder_ = folder;
    if (::geteuid() == 0) {
        sh("true");  // says early where setpriv is missing
        if (::chown(folder.c_str(), 65534, 65534) != 0) {
            throw std::runtime_error{"cannot give " + folder + " to nobody"};
        }
    }
    std::string options;
    std::string access = "-A trust";
    if (tls) {
        make_certificate();
        port_ = free_port();
        sh(fmt::format("sh -c 'echo secret > {}/password'", folder));
        access = fmt::format("-A scram-sha-256 --pwfile {}/password", folder);
        options = fmt::format(
            "-c listen_addresses=127.0.0.1 -c port={} -c ssl=on -c ssl_cert_file={}/server.pem "
            "-c ssl_key_file={}/server.key",
            port_, folder, folder);
    } else {
        options = "-c listen_addresses=''";
    }
    sh(fmt::format("{}/initdb -D {}/data -U postgres {} -N --no-instructions > {}/initdb.log 2>&1", programs,
                   folder, access, folder));
    sh(
        fmt::format("{}/pg_ctl -D {}/data -w -l {}/log -o \"{} -c unix_socket_directories={} -c fsync=off "
                    "-c max_connections=200\" start > /dev/null",
                    programs, folder, folder, options, folder));
}

// An authority and the server's certificate, made by who owns the folder.
void Cluster::make_certificate() const {
    auto const at = folder_.string();
    sh(fmt::format(
        "sh -c 'cd {} && "
        "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -keyout ca.key -out ca.pem "
        "-days 30 "
        "-subj /CN=authority && "
        "openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -keyout server.key -out server.csr "
        "-subj /CN=localhost && "
        "openssl x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 30 -out server.pem "
        "&& "
        "chmod 600 server.key' > /dev/null 2>&1",
        at));
}

Cluster::~Cluster() {
    try {
        sh(fmt::format("{}/pg_ctl -D {}/data -m immediate -w stop > /dev/null", programs, folder_.string()));
    } catch (std::exception const&) {  // it ended before
    }
    std::error_code ignored;
    fs::remove_all(folder_, ignored);
}

std::string Cluster::database(std::string const& name, std::string const& user) const {
    return fmt::format("host={} dbname={} user={}", folder_.string(), name, user);
}

std::string Cluster::fresh_database(std::string const& name) {
    auto admin = connect(database("postgres"));
    admin.script(fmt::format("DROP DATABASE IF EXISTS {} WITH (FORCE)", name));
    admin.script(fmt::format("CREATE DATABASE {}", name));
    return database(name);
}

postgres::Connection Cluster::connect(std::string const& conninfo) const {
    postgres::Options options;
    options.conninfo = conninfo;
    return postgres::Connection::open(options);
}

}  // namespace probekeeper::tests
