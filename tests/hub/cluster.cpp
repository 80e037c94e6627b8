#include "hub/cluster.h"

#include <spdlog/fmt/fmt.h>
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

Cluster* Cluster::shared() {
    static std::unique_ptr<Cluster> const cluster{fs::exists(fs::path{programs} / "initdb") ? new Cluster
                                                                                            : nullptr};
    return cluster.get();
}

Cluster::Cluster() {
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
    sh(fmt::format("{}/initdb -D {}/data -U postgres -A trust -N --no-instructions > {}/initdb.log 2>&1",
                   programs, folder, folder));
    sh(
        fmt::format("{}/pg_ctl -D {}/data -w -l {}/log -o \"-c listen_addresses='' -c "
                    "unix_socket_directories={} -c fsync=off "
                    "-c max_connections=200\" start > /dev/null",
                    programs, folder, folder, folder));
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
