// A connection to PostgreSQL over libpq, which no other room sees. Statements are constants of ours with $1,
// $2, ... for their values; nothing from outside ever becomes part of one. Everything is waited for without
// blocking in libpq, so that a server that falls silent costs `answer_within`, and whoever stops the thread
// can interrupt it at once.
//
// One thread at a time may use a connection. All functions throw Error. After Fault::lost or interrupted the
// connection is of no more use: make another one.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <initializer_list>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"
#include "postgres/error.h"
#include "postgres/value.h"

struct pg_conn;
struct pg_result;

namespace probekeeper::postgres {

struct Options {
    std::string conninfo;                  // of libpq, without a password
    std::filesystem::path password_file;   // its first line; for its owner alone. Empty: none
    bool tls_off = false;                  // see problem_of()
    std::string program = "probekeeperd";  // as pg_stat_activity shows it
    std::chrono::milliseconds connect_within{10'000};
    std::chrono::milliseconds answer_within{30'000};
    int interrupt = -1;  // a descriptor that becomes readable to end all waiting; -1: none
};

// What a statement gave. Columns are numbered from 0. NULL is "", 0 or none.
class Rows {
public:
    [[nodiscard]] std::size_t size() const { return size_; }
    [[nodiscard]] bool empty() const { return size_ == 0; }
    [[nodiscard]] std::int64_t affected() const;  // rows inserted, updated or deleted
    [[nodiscard]] bool null(std::size_t row, int column) const;
    [[nodiscard]] std::string_view text(std::size_t row, int column) const;  // for as long as this lives
    [[nodiscard]] std::int64_t integer(std::size_t row, int column) const;
    [[nodiscard]] double number(std::size_t row, int column) const;
    [[nodiscard]] bool boolean(std::size_t row, int column) const;
    [[nodiscard]] std::optional<Timestamp> time(std::size_t row, int column) const;  // of a timestamptz
    [[nodiscard]] std::vector<std::string> texts(std::size_t row,
                                                 int column) const;                // of an array; NULL as ""
    [[nodiscard]] std::vector<double> numbers(std::size_t row, int column) const;  // of an array; NULL as NaN

private:
    friend class Connection;
    struct Clear {
        void operator()(pg_result* result) const noexcept;
    };
    explicit Rows(pg_result* result);
    std::unique_ptr<pg_result, Clear> result_;
    std::size_t size_ = 0;
};

struct Notification {
    std::string channel, payload;
};

class Connection {
public:
    // The session keeps its times in UTC and ends statements that take longer than `answer_within` by itself.
    [[nodiscard]] static Connection open(Options const& options);
    ~Connection();
    Connection(Connection&&) noexcept;
    Connection& operator=(Connection&&) noexcept;

    // A statement that is asked again is prepared once: it must be one of few, and a constant.
    Rows run(std::string_view statement, std::initializer_list<Value> values = {});
    Rows run(std::string_view statement, std::vector<Value> const& values);
    // Several statements without values, as one transaction where there is none.
    void script(std::string const& statements);

    void listen(std::string_view channel);  // a name of ours
    // The next notification; none within `at_most`, or once the descriptor `wake` is readable.
    [[nodiscard]] std::optional<Notification> wait(std::chrono::milliseconds at_most, int wake = -1);

    [[nodiscard]] std::uint64_t sent() const { return sent_; }  // bytes of statements and values so far
    [[nodiscard]] bool usable() const;                          // not lost, as far as is known
    [[nodiscard]] bool encrypted() const;

private:
    friend class Transaction;
    struct Finish {
        void operator()(pg_conn* connection) const noexcept;
    };
    Connection() = default;
    enum class Ready : std::uint8_t { read, write, either };
    // False: not within the time, or `wake` became readable first.
    bool await(Ready for_what, std::chrono::steady_clock::time_point until, int wake = -1);
    void start(Options const& options);
    void send(std::string_view statement, Value const* values, std::size_t count);
    void prepare(std::string const& name, std::string const& statement);
    pg_result* answer();
    [[noreturn]] void lose(std::string const& why);

    Options options_;
    std::unique_ptr<pg_conn, Finish> connection_;
    std::set<std::string, std::less<>> prepared_;
    std::uint64_t sent_ = 0;
    bool lost_ = false;
};

// Rolled back unless committed. After a failure within it only rolling back is left. Where commit() throws
// Fault::lost, nobody knows whether it was done.
class Transaction {
public:
    explicit Transaction(Connection& connection);
    ~Transaction();
    Transaction(Transaction&&) = delete;
    void commit();

private:
    Connection& connection_;
    bool done_ = false;
};

}  // namespace probekeeper::postgres
