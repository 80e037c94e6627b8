#include "notify/mqtt.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <poll.h>
#include <spdlog/fmt/fmt.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <condition_variable>
#include <deque>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <set>
#include <stdexcept>
#include <thread>

#include "base/text.h"
#include "notify/secret.h"

namespace probekeeper::notify {
namespace {

using std::chrono::steady_clock;

constexpr int qos = 1, keep_alive_s = 20, look_every_ms = 1000;
constexpr std::chrono::seconds longest_wait{10}, again_after{1}, goodbye{1};
constexpr std::string_view online = "online", offline = "offline";

struct Broker {
    std::string host;
    int port = 1883;
    bool tls = false;
};

Broker broker_of(std::string const& address) {
    Broker broker;
    broker.tls = address.starts_with("mqtts://");
    auto const rest = address.substr(address.find("://") + 3);
    auto const colon = rest.rfind(':');
    auto const port = colon == std::string::npos ? std::nullopt : parse_integer(rest.substr(colon + 1));
    broker.host = port ? rest.substr(0, colon) : rest;
    broker.port = port ? static_cast<int>(*port) : broker.tls ? 8883 : 1883;
    return broker;
}

void must(int code, char const* what) {
    if (code != MOSQ_ERR_SUCCESS) {
        throw std::runtime_error{fmt::format("MQTT: {}: {}", what, mosquitto_strerror(code))};
    }
}

struct FreeClient {
    void operator()(mosquitto* m) const { mosquitto_destroy(m); }
};
using Client = std::unique_ptr<mosquitto, FreeClient>;

// Rings in a poll().
class Bell {
public:
    Bell() : fd_{eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)} {
        if (fd_ < 0) {
            throw std::runtime_error{"MQTT: no descriptor is left"};
        }
    }
    Bell(Bell const&) = delete;
    ~Bell() { close(fd_); }
    void ring() const { eventfd_write(fd_, 1); }
    void hush() const {
        eventfd_t ignored = 0;
        eventfd_read(fd_, &ignored);
    }
    [[nodiscard]] int fd() const { return fd_; }

private:
    int fd_;
};

struct Message {
    std::string topic, payload;
    bool retain = false;
    std::uint64_t ticket = 0;  // of who waits for the broker's answer; 0: nobody
};

}  // namespace

// All calls of the library are made by one thread, and each connection has a client of its own: the library
// sends what an earlier connection left unanswered again, after what is newer, and an old condition would
// stay as the retained one. Its own loops are not used: they give up where the first connection is refused,
// and wait by select(), which knows no descriptor from 1024 on.
struct Mqtt::Running {
    Running(fleet::NoticeSettings s, std::set<std::string> k, std::shared_ptr<spdlog::logger> l)
        : settings{std::move(s)},
          known{std::move(k)},
          log{std::move(l)},
          broker{broker_of(settings.address)},
          password{settings.password_file ? read_secret(*settings.password_file) : std::string{}} {
        static int const started = mosquitto_lib_init();
        must(started, "the library cannot start");
        client = new_client();  // what is wrong with the settings is said here, not in the background
        thread = std::thread{[this] { work(); }};
    }
    ~Running() {
        interrupt();
        thread.join();
    }
    void interrupt() {
        {
            std::scoped_lock const lock{mutex};
            stopping = true;
        }
        changed.notify_all();
        bell.ring();
    }

    [[nodiscard]] std::string topic(std::string_view below) const {
        return fmt::format("{}/{}", settings.topic, below);
    }

    Client new_client() {
        Client fresh{mosquitto_new(fmt::format("probekeeper-{}", settings.id).c_str(), true, this)};
        auto* const m = fresh.get();
        if (m == nullptr) {
            throw std::runtime_error{"MQTT: no memory for a client"};
        }
        must(mosquitto_int_option(
                 m, MOSQ_OPT_PROTOCOL_VERSION,
                 settings.mqtt_version == fleet::MqttVersion::v5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311),
             "protocol version");
        must(mosquitto_int_option(m, MOSQ_OPT_TCP_NODELAY, 1), "TCP_NODELAY");
        if (!settings.user.empty()) {
            must(mosquitto_username_pw_set(m, settings.user.c_str(), password.c_str()), "user and password");
        }
        if (broker.tls) {
            auto const file = settings.ca_file ? settings.ca_file->string() : std::string{};
            must(mosquitto_tls_set(m, file.empty() ? nullptr : file.c_str(),
                                   file.empty() ? "/etc/ssl/certs" : nullptr, nullptr, nullptr, nullptr),
                 "certificates");
        }
        must(mosquitto_will_set(m, topic("status").c_str(), static_cast<int>(offline.size()), offline.data(),
                                qos, true),
             "last will");
        mosquitto_connect_v5_callback_set(
            m, [](mosquitto*, void* self, int code, int, mosquitto_property const*) {
                static_cast<Running*>(self)->on_connect(code);
            });
        mosquitto_publish_v5_callback_set(
            m, [](mosquitto*, void* self, int id, int code, mosquitto_property const*) {
                static_cast<Running*>(self)->on_published(id, code);
            });
        mosquitto_message_callback_set(m, [](mosquitto*, void* self, mosquitto_message const* message) {
            static_cast<Running*>(self)->on_condition(*message);
        });
        return fresh;
    }

    void work() {
        while (true) {
            try {
                client = new_client();
                hold_connection();
            } catch (std::exception const& error) {
                tell(error.what());
            }
            std::unique_lock lock{mutex};
            connected = false;
            messages.clear();
            waiting.clear();
            answers.clear();
            changed.notify_all();
            if (changed.wait_for(lock, again_after, [this] { return stopping; })) {
                return;
            }
        }
    }

    // Until it breaks, or is to end.
    void hold_connection() {
        auto code = mosquitto_connect_async(client.get(), broker.host.c_str(), broker.port, keep_alive_s);
        auto const latest = steady_clock::now() + longest_wait;
        std::optional<steady_clock::time_point> until;
        while (code == MOSQ_ERR_SUCCESS) {
            bool said_goodbye = false;
            {
                std::scoped_lock const lock{mutex};
                if (!connected && steady_clock::now() > latest) {
                    break;
                }
                if (stopping && !until) {
                    until = steady_clock::now() + (connected ? goodbye : std::chrono::seconds{0});
                    messages.push_back({topic("status"), std::string{offline}, true, last_words});
                }
                said_goodbye = answers.contains(last_words);
            }
            if (until && (said_goodbye || steady_clock::now() >= *until)) {
                mosquitto_disconnect(client.get());
                return;
            }
            publish_waiting();
            code = step();
        }
        if (!quiet) {
            bool const plain = code == MOSQ_ERR_SUCCESS || code == MOSQ_ERR_ERRNO;
            tell(plain ? "there is no connection to the broker" : mosquitto_strerror(code));
        }
        quiet = false;
    }

    // Waits for the broker, for something to publish or for a second, and does what is due.
    int step() {
        auto* const m = client.get();
        auto const wanted = static_cast<short>(POLLIN | (mosquitto_want_write(m) ? POLLOUT : 0));
        pollfd both[] = {{mosquitto_socket(m), wanted, 0}, {bell.fd(), POLLIN, 0}};
        poll(both, 2, look_every_ms);
        bell.hush();
        int code = MOSQ_ERR_SUCCESS;
        if ((both[0].revents & (POLLIN | POLLHUP | POLLERR)) != 0) {
            code = mosquitto_loop_read(m, 1);
        }
        if (code == MOSQ_ERR_SUCCESS && mosquitto_want_write(m)) {
            code = mosquitto_loop_write(m, 1);
        }
        return code == MOSQ_ERR_SUCCESS ? mosquitto_loop_misc(m) : code;
    }

    void publish_waiting() {
        std::deque<Message> taken;
        {
            std::scoped_lock const lock{mutex};
            if (!connected) {
                return;
            }
            taken.swap(messages);
        }
        for (auto const& message : taken) {
            publish(message.topic, message.payload, message.retain, message.ticket);
        }
    }

    void publish(std::string const& to, std::string_view payload, bool retain, std::uint64_t ticket) {
        int id = 0;
        auto const code = mosquitto_publish(client.get(), &id, to.c_str(), static_cast<int>(payload.size()),
                                            payload.data(), qos, retain);
        if (code == MOSQ_ERR_SUCCESS && ticket != 0) {
            waiting[id] = ticket;  // the answer comes by this thread, and so later than this
        } else if (code != MOSQ_ERR_SUCCESS && ticket != 0) {
            answer(ticket, {Sent::Outcome::refused, mosquitto_strerror(code)});
        }
    }

    void on_connect(int code) {
        if (code != 0) {
            quiet = true;
            tell(fmt::format("the broker refuses the connection (code {})", code));
            return;
        }
        std::map<std::string, std::string> all;
        {
            std::scoped_lock const lock{mutex};
            all = conditions;
            problem.clear();
            connected = true;
        }
        log->info("event=mqtt_connected notice={}", settings.id);
        publish(topic("status"), online, true, 0);
        mosquitto_subscribe(client.get(), nullptr, topic("condition/#").c_str(), qos);
        for (auto const& [to, document] : all) {
            publish(to, document, true, 0);
        }
    }

    // What the broker keeps of conditions comes back here. Nobody would ever change that of a probe that has
    // left.
    void on_condition(mosquitto_message const& message) {
        auto const begin = topic("condition/");
        std::string const from = message.topic;
        if (message.payloadlen > 0 && from.starts_with(begin) && !known.contains(from.substr(begin.size()))) {
            publish(from, {}, true, 0);
        }
    }

    // MQTT 5: from 128 on it says why not. MQTT 3.1.1 knows no refusal.
    void on_published(int id, int code) {
        if (auto const asked = waiting.find(id); asked != waiting.end()) {
            answer(asked->second, code < 128
                                      ? Sent{}
                                      : Sent{Sent::Outcome::refused,
                                             fmt::format("the broker: {}", mosquitto_reason_string(code))});
            waiting.erase(asked);
        }
    }

    void answer(std::uint64_t ticket, Sent sent) {
        {
            std::scoped_lock const lock{mutex};
            answers[ticket] = std::move(sent);
        }
        changed.notify_all();
    }

    // The change is told, not each repetition.
    void tell(std::string why) {
        std::scoped_lock const lock{mutex};
        if (why != problem && !stopping) {
            log->warn("event=mqtt_down notice={} why=\"{}\"", settings.id, why);
            problem = std::move(why);
        }
    }

    static constexpr std::uint64_t last_words = 1;

    fleet::NoticeSettings settings;
    std::set<std::string> known;
    std::shared_ptr<spdlog::logger> log;
    Broker broker;
    std::string password;
    Bell bell;

    // Of the thread.
    Client client;
    std::map<int, std::uint64_t> waiting;  // who waits for the answer to the message of that number
    bool quiet = false;                    // what is wrong has been told

    std::mutex mutex;  // guards the following
    std::condition_variable changed;
    std::map<std::string, std::string> conditions;  // newest document by topic
    std::deque<Message> messages;                   // to be published; empty while there is no connection
    std::map<std::uint64_t, Sent> answers;
    std::uint64_t last_ticket = last_words;
    std::string problem;
    bool connected = false, stopping = false;

    std::thread thread;
};

Mqtt::Mqtt(fleet::NoticeSettings settings, std::set<std::string> probes, std::shared_ptr<spdlog::logger> log)
    : running_{std::make_unique<Running>(std::move(settings), std::move(probes), std::move(log))} {}

Mqtt::~Mqtt() = default;

Sent Mqtt::send(store::Notice const& notice, Timestamp) {
    using enum Sent::Outcome;
    auto& r = *running_;
    std::unique_lock lock{r.mutex};
    if (!r.connected || r.stopping) {
        return {unreachable, r.problem.empty() ? "there is no connection to the broker" : r.problem};
    }
    auto const ticket = ++r.last_ticket;
    r.messages.push_back({r.topic(fmt::format("notice/{}", notice.site)), notice.document, false, ticket});
    r.bell.ring();
    r.changed.wait_for(lock, longest_wait,
                       [&] { return r.stopping || !r.connected || r.answers.contains(ticket); });
    auto const answer = r.answers.extract(ticket);
    return answer ? answer.mapped() : Sent{unreachable, "the broker did not acknowledge it"};
}

void Mqtt::interrupt() {
    running_->interrupt();
}

void Mqtt::show_condition(std::string const& site, std::string const& probe, std::string document) {
    auto& r = *running_;
    auto const to = r.topic(fmt::format("condition/{}/{}", site, probe));
    {
        std::scoped_lock const lock{r.mutex};
        if (r.connected) {
            r.messages.push_back({to, document, true, 0});
        }
        r.conditions[to] = std::move(document);
    }
    r.bell.ring();
}

}  // namespace probekeeper::notify
