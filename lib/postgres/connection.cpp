#include "postgres/connection.h"

#include <libpq-fe.h>
#include <poll.h>
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <fstream>

#include "base/text.h"
#include "postgres/destination.h"

namespace probekeeper::postgres {

namespace {

using Clock = std::chrono::steady_clock;

std::string read_password(std::filesystem::path const& file) {
    namespace fs = std::filesystem;
    std::error_code ignored;
    auto const open_to = fs::status(file, ignored).permissions();
    if ((open_to & (fs::perms::group_all | fs::perms::others_all)) != fs::perms::none &&
        open_to != fs::perms::unknown) {
        throw Error{Fault::refused, file.string() + " may be read by others; its mode should be 0600"};
    }
    std::ifstream in{file};
    std::string line;
    if (!std::getline(in, line) || line.empty()) {
        throw Error{Fault::refused, file.string() + " cannot be read, or its first line is empty"};
    }
    return std::string{trimmed(line)};
}

std::string sentence(char const* message) {
    std::string text{trimmed(message == nullptr ? "" : message)};
    for (auto& c : text) {
        if (c == '\n' || c == '\t') {
            c = ' ';
        }
    }
    return text;
}

// By the text alone where the server refused before there was a connection: libpq keeps no SQLSTATE then.
Fault fault_of_start(std::string const& message, bool answered) {
    auto const says = [&](char const* words) { return message.find(words) != std::string::npos; };
    if (says("starting up") || says("shutting down") || says("recovery") || says("too many")) {
        return Fault::lost;
    }
    if (answered || says("certificate") || says("SSL") || says("password")) {
        return Fault::refused;
    }
    return Fault::lost;
}

}  // namespace

// --- rows

void Rows::Clear::operator()(pg_result* result) const noexcept {
    PQclear(result);
}

Rows::Rows(pg_result* result) : result_{result}, size_{static_cast<std::size_t>(PQntuples(result))} {}

std::int64_t Rows::affected() const {
    return parse_integer(PQcmdTuples(result_.get())).value_or(0);
}

bool Rows::null(std::size_t row, int column) const {
    return PQgetisnull(result_.get(), static_cast<int>(row), column) != 0;
}

std::string_view Rows::text(std::size_t row, int column) const {
    return {PQgetvalue(result_.get(), static_cast<int>(row), column),
            static_cast<std::size_t>(PQgetlength(result_.get(), static_cast<int>(row), column))};
}

std::int64_t Rows::integer(std::size_t row, int column) const {
    return null(row, column) ? 0 : parse_integer(text(row, column)).value();
}

double Rows::number(std::size_t row, int column) const {
    return null(row, column) ? 0.0 : parse_number(text(row, column)).value_or(std::nan(""));
}

bool Rows::boolean(std::size_t row, int column) const {
    return text(row, column) == "t";
}

std::optional<Timestamp> Rows::time(std::size_t row, int column) const {
    // "2026-11-26 17:09:45.123+00"
    std::string at{text(row, column)};
    if (at.size() < 22 || at[10] != ' ' || !at.ends_with("+00")) {
        return std::nullopt;
    }
    at[10] = 'T';
    return parse_rfc3339(at.replace(at.size() - 3, 3, "Z"));
}

std::vector<std::string> Rows::texts(std::size_t row, int column) const {
    std::vector<std::string> texts;
    for (auto& element : elements_of(text(row, column)).value_or(std::vector<std::optional<std::string>>{})) {
        texts.push_back(std::move(element).value_or(std::string{}));
    }
    return texts;
}

std::vector<double> Rows::numbers(std::size_t row, int column) const {
    std::vector<double> numbers;
    for (auto const& element :
         elements_of(text(row, column)).value_or(std::vector<std::optional<std::string>>{})) {
        numbers.push_back(element ? parse_number(*element).value_or(std::nan("")) : std::nan(""));
    }
    return numbers;
}

// --- connection

void Connection::Finish::operator()(pg_conn* connection) const noexcept {
    PQfinish(connection);
}

Connection::~Connection() = default;
Connection::Connection(Connection&&) noexcept = default;
Connection& Connection::operator=(Connection&&) noexcept = default;

Connection Connection::open(Options const& options) {
    Connection connection;
    connection.options_ = options;
    connection.start(options);
    return connection;
}

void Connection::start(Options const& options) {
    auto const to = destination_of(options.conninfo);
    if (!to) {
        throw Error{Fault::wrong, "The connection string " + to.error().message};
    }
    if (auto const problem = problem_of(*to, options.tls_off)) {
        throw Error{Fault::wrong, "The connection string " + *problem};
    }
    auto const password =
        options.password_file.empty() ? std::string{} : read_password(options.password_file);
    // Silence is found out by the keepalives where nothing is under way, else by answer_within.
    auto const session = fmt::format(
        "-c statement_timeout={} -c TimeZone=UTC -c DateStyle=ISO -c client_min_messages=warning "
        "-c extra_float_digits=1 -c idle_in_transaction_session_timeout=60000",
        options.answer_within.count());
    // The conninfo is the first, so that what stands in it outweighs neither what follows nor our own
    // options.
    std::vector<char const*> keys{"dbname",          "fallback_application_name", "options",
                                  "keepalives_idle", "keepalives_interval",       "keepalives_count",
                                  "client_encoding"};
    std::vector<char const*> values{
        options.conninfo.c_str(), options.program.c_str(), session.c_str(), "20", "5", "4", "UTF8"};
    if (!password.empty()) {
        keys.push_back("password");
        values.push_back(password.c_str());
    }
    if (!to->local && to->tls.empty()) {
        keys.push_back("sslmode");
        values.push_back("verify-full");
    }
    keys.push_back(nullptr);
    values.push_back(nullptr);
    connection_.reset(PQconnectStartParams(keys.data(), values.data(), /*expand_dbname=*/1));
    if (!connection_) {
        throw std::bad_alloc{};
    }
    auto const until = Clock::now() + options.connect_within;
    auto polled =
        PQstatus(connection_.get()) == CONNECTION_BAD ? PGRES_POLLING_FAILED : PGRES_POLLING_WRITING;
    bool answered = false;
    while (polled != PGRES_POLLING_OK && polled != PGRES_POLLING_FAILED) {
        if (!await(polled == PGRES_POLLING_READING ? Ready::read : Ready::write, until)) {
            throw Error{Fault::lost, fmt::format("No connection to the hub's database within {} s",
                                                 options.connect_within.count() / 1000)};
        }
        polled = PQconnectPoll(connection_.get());
        answered = answered || PQstatus(connection_.get()) == CONNECTION_AUTH_OK ||
                   PQserverVersion(connection_.get()) != 0 ||
                   PQstatus(connection_.get()) == CONNECTION_AWAITING_RESPONSE;
    }
    if (polled == PGRES_POLLING_FAILED) {
        auto const message = sentence(PQerrorMessage(connection_.get()));
        throw Error{fault_of_start(message, message.find("FATAL") != std::string::npos), message};
    }
    PQsetnonblocking(connection_.get(), 1);
    PQsetNoticeProcessor(
        connection_.get(), [](void*, char const*) {}, nullptr);
}

bool Connection::await(Ready for_what, Clock::time_point until, int wake) {
    while (true) {
        auto const events = static_cast<short>(for_what == Ready::read    ? POLLIN
                                               : for_what == Ready::write ? POLLOUT
                                                                          : POLLIN | POLLOUT);
        // poll() leaves out descriptors below 0.
        std::array<pollfd, 3> wanted{pollfd{PQsocket(connection_.get()), events, 0},
                                     pollfd{options_.interrupt, POLLIN, 0}, pollfd{wake, POLLIN, 0}};
        auto const left = std::chrono::ceil<std::chrono::milliseconds>(until - Clock::now());
        auto const got = ::poll(wanted.data(), wanted.size(),
                                static_cast<int>(std::clamp<std::int64_t>(left.count(), 0, 3'600'000)));
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (wanted[1].revents != 0) {
            lost_ = true;
            throw Error{Fault::interrupted, "Interrupted"};
        }
        if (wanted[0].revents != 0) {
            return true;
        }
        if (wanted[2].revents != 0 || left.count() <= 0) {
            return false;
        }
    }
}

void Connection::lose(std::string const& why) {
    lost_ = true;
    throw Error{Fault::lost, why.empty() ? "The connection to the hub's database was lost" : why};
}

bool Connection::usable() const {
    return !lost_ && PQstatus(connection_.get()) == CONNECTION_OK;
}

bool Connection::encrypted() const {
    return PQsslInUse(connection_.get()) != 0;
}

pg_result* Connection::answer() {
    auto const until =
        Clock::now() + options_.answer_within + std::chrono::seconds{5};  // the server's own comes first
    auto const silent = [&] {
        lose(fmt::format("No answer within {} s", options_.answer_within.count() / 1000));
    };
    while (true) {
        auto const left = PQflush(connection_.get());
        if (left < 0) {
            lose(sentence(PQerrorMessage(connection_.get())));
        }
        if (left == 0) {
            break;
        }
        if (!await(Ready::either, until)) {
            silent();
        }
        if (PQconsumeInput(connection_.get()) == 0) {
            lose(sentence(PQerrorMessage(connection_.get())));
        }
    }
    std::unique_ptr<pg_result, Rows::Clear> last;
    std::unique_ptr<pg_result, Rows::Clear> failed;
    while (true) {
        while (PQisBusy(connection_.get()) != 0) {
            if (!await(Ready::read, until)) {
                silent();
            }
            if (PQconsumeInput(connection_.get()) == 0) {
                lose(sentence(PQerrorMessage(connection_.get())));
            }
        }
        auto* const result = PQgetResult(connection_.get());
        if (result == nullptr) {
            break;
        }
        last.reset(result);
        auto const status = PQresultStatus(result);
        if (status != PGRES_TUPLES_OK && status != PGRES_COMMAND_OK && !failed) {
            failed = std::move(last);
        }
    }
    if (failed) {
        auto const* const state = PQresultErrorField(failed.get(), PG_DIAG_SQLSTATE);
        std::string const sqlstate = state == nullptr ? "" : state;
        auto const* const primary = PQresultErrorField(failed.get(), PG_DIAG_MESSAGE_PRIMARY);
        auto const message = sentence(primary == nullptr ? PQresultErrorMessage(failed.get()) : primary);
        auto const fault = fault_of(sqlstate);
        lost_ = lost_ || fault == Fault::lost || PQstatus(connection_.get()) != CONNECTION_OK;
        throw Error{fault, message, sqlstate};
    }
    if (!last) {
        lose(sentence(PQerrorMessage(connection_.get())));
    }
    return last.release();
}

void Connection::prepare(std::string const& name, std::string const& statement) {
    sent_ += statement.size();
    if (PQsendPrepare(connection_.get(), name.c_str(), statement.c_str(), 0, nullptr) == 0) {
        lose(sentence(PQerrorMessage(connection_.get())));
    }
    Rows{answer()};
}

void Connection::send(std::string_view statement, Value const* values, std::size_t count) {
    if (!usable()) {
        lose({});
    }
    // Named by what it says: the server never meets a name with two meanings.
    auto const name = fmt::format("s{:x}_{}", std::hash<std::string_view>{}(statement), statement.size());
    if (!prepared_.contains(name)) {
        prepare(name, std::string{statement});
        prepared_.insert(name);
    }
    std::vector<char const*> texts(count);
    for (std::size_t i = 0; i < count; ++i) {
        texts[i] = values[i].text();
        sent_ += values[i].size() + 8;
    }
    sent_ += name.size() + 64;
    if (PQsendQueryPrepared(connection_.get(), name.c_str(), static_cast<int>(count), texts.data(), nullptr,
                            nullptr, 0) == 0) {
        lose(sentence(PQerrorMessage(connection_.get())));
    }
}

Rows Connection::run(std::string_view statement, std::initializer_list<Value> values) {
    send(statement, values.begin(), values.size());
    return Rows{answer()};
}

Rows Connection::run(std::string_view statement, std::vector<Value> const& values) {
    send(statement, values.data(), values.size());
    return Rows{answer()};
}

void Connection::script(std::string const& statements) {
    if (!usable()) {
        lose({});
    }
    sent_ += statements.size();
    if (PQsendQuery(connection_.get(), statements.c_str()) == 0) {
        lose(sentence(PQerrorMessage(connection_.get())));
    }
    Rows{answer()};
}

void Connection::listen(std::string_view channel) {
    script(fmt::format("LISTEN {}", channel));
}

std::optional<Notification> Connection::wait(std::chrono::milliseconds at_most, int wake) {
    auto const until = Clock::now() + at_most;
    while (true) {
        std::unique_ptr<PGnotify, decltype(&PQfreemem)> const told{PQnotifies(connection_.get()), &PQfreemem};
        if (told) {
            return Notification{told->relname, told->extra};
        }
        if (!usable()) {
            lose({});
        }
        if (!await(Ready::read, until, wake)) {
            return std::nullopt;
        }
        if (PQconsumeInput(connection_.get()) == 0) {
            lose(sentence(PQerrorMessage(connection_.get())));
        }
    }
}

// --- transaction

Transaction::Transaction(Connection& connection) : connection_{connection} {
    connection_.script("BEGIN");
}

Transaction::~Transaction() {
    if (done_ || !connection_.usable()) {
        return;
    }
    try {
        connection_.script("ROLLBACK");
    } catch (Error const&) {  // then the connection is gone, and with it the transaction
    }
}

void Transaction::commit() {
    done_ = true;
    if (PQtransactionStatus(connection_.connection_.get()) ==
        PQTRANS_INERROR) {  // COMMIT would roll back, and say so to nobody
        connection_.script("ROLLBACK");
        throw Error{Fault::wrong, "A statement of the transaction has failed"};
    }
    connection_.script("COMMIT");
}

}  // namespace probekeeper::postgres
