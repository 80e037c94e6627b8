// A PostgreSQL cluster of the tests' own: Debian's server in a temporary folder, on a unix socket in it. As
// root it runs as `nobody`, for the server refuses to be root's.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "postgres/connection.h"

namespace probekeeper::tests {

class Cluster {
public:
    // One for the whole program, started when it is first asked for; null where PostgreSQL is not installed.
    [[nodiscard]] static Cluster* shared();

    // Another one, on a port of loopback, with a certificate for "localhost" of an authority of its own;
    // passwords are asked for there, and "secret" is that of postgres. Null likewise.
    [[nodiscard]] static std::unique_ptr<Cluster> with_tls();
    [[nodiscard]] int port() const { return port_; }
    [[nodiscard]] std::filesystem::path authority() const { return folder_ / "ca.pem"; }

    ~Cluster();  // ends the server, and removes the folder
    Cluster(Cluster&&) = delete;

    // A connection string of an empty database of that name, made here.
    [[nodiscard]] std::string fresh_database(std::string const& name);
    [[nodiscard]] std::string database(std::string const& name, std::string const& user = "postgres") const;
    [[nodiscard]] std::filesystem::path log() const { return folder_ / "log"; }  // the server's
    [[nodiscard]] postgres::Connection connect(std::string const& conninfo) const;

private:
    explicit Cluster(bool tls);
    void make_certificate() const;
    std::filesystem::path folder_;
    int port_ = 0;
};

}  // namespace probekeeper::tests
