// What can go wrong between here and a PostgreSQL server. Thrown, for it is the environment that fails;
// whoever owns the connection catches it, throws the connection away where `lost`, and decides what to do
// again.
#pragma once

#include <cstdint>
#include <stdexcept>
#include <string>
#include <string_view>

namespace probekeeper::postgres {

enum class Fault : std::uint8_t {
    lost,      // no connection, or it went or fell silent: what was under way may have been done or not
    again,     // lost against another transaction, or against time; nothing of it was done: try again
    refused,   // the server knows us and does not let us: password, rights, TLS, a database that is not there
    conflict,  // contradicts what is stored: a key twice, a check
    wrong,  // the statement or its values, a layout that is not what is expected: trying again is of no use
    interrupted,  // by whoever holds the other end of Options::interrupt
};

// By the five letters of an SQLSTATE; `lost` where there are none, for then it was not the server that spoke.
[[nodiscard]] Fault fault_of(std::string_view sqlstate);

class Error : public std::runtime_error {
public:
    // `message` is a sentence without passwords.
    Error(Fault fault, std::string const& message, std::string sqlstate = {})
        : std::runtime_error{message}, fault_{fault}, sqlstate_{std::move(sqlstate)} {}
    [[nodiscard]] Fault fault() const { return fault_; }
    [[nodiscard]] std::string const& sqlstate() const {
        return sqlstate_;
    }  // empty where it was not the server

private:
    Fault fault_;
    std::string sqlstate_;
};

}  // namespace probekeeper::postgres
