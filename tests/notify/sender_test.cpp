#include "notify/sender.h"

#include <spdlog/sinks/null_sink.h>
#include <stdlib.h>

#include <catch2/catch.hpp>
#include <condition_variable>
#include <mutex>

namespace probekeeper::notify {
namespace {

auto const now = parse_rfc3339("2026-03-01T06:00:00Z").value();

std::shared_ptr<spdlog::logger> quiet() {
    return std::make_shared<spdlog::logger>("quiet", std::make_shared<spdlog::sinks::null_sink_mt>());
}

class Folder {
public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "probekeeper-notify-XXXXXX").string();
        REQUIRE(mkdtemp(name.data()) != nullptr);
        path_ = name;
    }
    Folder(Folder const&) = delete;
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    [[nodiscard]] std::filesystem::path file() const { return path_ / "s.db"; }

private:
    std::filesystem::path path_;
};

// A receiver whose answers the test sets, and that remembers what it got.
struct Receiver {
    std::mutex mutex;
    std::condition_variable changed;
    std::vector<std::string> asked;
    Sent::Outcome answer = Sent::Outcome::taken;
    std::string refuses;  // one id

    std::vector<std::string> wait_for(std::size_t count) {
        std::unique_lock lock{mutex};
        REQUIRE(changed.wait_for(lock, std::chrono::seconds{30}, [&] { return asked.size() >= count; }));
        return asked;
    }
    void answer_with(Sent::Outcome outcome) {
        std::scoped_lock const lock{mutex};
        answer = outcome;
    }
};

class ToReceiver final : public Transport {
public:
    explicit ToReceiver(Receiver& receiver) : receiver_{receiver} {}
    Sent send(store::Notice const& notice, Timestamp) override {
        std::scoped_lock const lock{receiver_.mutex};
        receiver_.asked.push_back(notice.id);
        receiver_.changed.notify_all();
        return {notice.id == receiver_.refuses ? Sent::Outcome::refused : receiver_.answer, "as told"};
    }
    void interrupt() override {}

private:
    Receiver& receiver_;
};

store::Notice message(std::string id, std::string digest = {}, Timestamp not_before = now) {
    store::Notice n;
    n.id = "duty/" + std::move(id);
    n.receiver = "duty";
    n.kind = "ticket";
    n.site = "farm";
    n.at = now;
    n.not_before = not_before;
    n.digest = std::move(digest);
    n.document = "{}";
    return n;
}

struct Outbox {
    Folder folder;
    store::Writer writer{store::Store::open(folder.file()).value(), store::Retention{}};

    void put(std::vector<store::Notice> notices) {
        store::Changes changes;
        changes.notices = std::move(notices);
        REQUIRE(writer.now(std::move(changes)).get().has_value());
    }
    std::unique_ptr<Sender> sender(Receiver& receiver) {
        Sender::Options options;
        options.first_pause = std::chrono::milliseconds{5};
        options.longest_pause = std::chrono::milliseconds{20};
        return std::make_unique<Sender>(
            "duty", std::make_unique<ToReceiver>(receiver), writer,
            store::Reader::open(folder.file()).value(), [] { return now; }, quiet(), options);
    }
    std::size_t waiting() {
        return store::Reader::open(folder.file()).value().notices_waiting("duty").value();
    }
    void wait_until_empty() {
        while (waiting() != 0) {  // the last outcome is stored after the receiver has answered
        }
    }
};

TEST_CASE("messages go out once each, in their order, and those of others do not", "[notify][sender]") {
    Outbox outbox;
    Receiver receiver;
    auto const sender = outbox.sender(receiver);
    auto other = message("x");
    other.receiver = "other";
    outbox.put({message("a"), message("b"), other});
    outbox.put({message("a")});  // given again
    sender->wake();
    receiver.wait_for(2);
    outbox.wait_until_empty();
    outbox.put({message("c")});
    sender->wake();
    CHECK(receiver.wait_for(3) == std::vector<std::string>{"duty/a", "duty/b", "duty/c"});
}

TEST_CASE("a receiver that is down is asked again with the same id, and then gets the rest in order",
          "[notify][sender]") {
    Outbox outbox;
    Receiver receiver;
    receiver.answer = Sent::Outcome::unreachable;
    outbox.put({message("a"), message("b")});
    auto const sender = outbox.sender(receiver);
    auto const down = receiver.wait_for(3);
    CHECK(std::vector<std::string>(down.begin(), down.begin() + 3) ==
          std::vector<std::string>{"duty/a", "duty/a", "duty/a"});
    receiver.answer_with(Sent::Outcome::taken);
    outbox.wait_until_empty();
    CHECK(receiver.asked.back() == "duty/b");
    CHECK(std::count(receiver.asked.begin(), receiver.asked.end(), "duty/b") == 1);
}

TEST_CASE("what waits outlives the sender", "[notify][sender]") {
    Outbox outbox;
    Receiver down, up;
    down.answer = Sent::Outcome::unreachable;
    outbox.put({message("a")});
    {
        auto const sender = outbox.sender(down);
        down.wait_for(1);
    }
    CHECK(outbox.waiting() == 1);
    auto const sender = outbox.sender(up);
    CHECK(up.wait_for(1) == std::vector<std::string>{"duty/a"});
}

TEST_CASE("a message that is refused does not hold up the others and is kept", "[notify][sender]") {
    Outbox outbox;
    Receiver receiver;
    receiver.refuses = "duty/a";
    outbox.put({message("a"), message("b")});
    auto const sender = outbox.sender(receiver);
    CHECK(receiver.wait_for(2) == std::vector<std::string>{"duty/a", "duty/b"});
    while (outbox.waiting() != 1) {
    }
    auto const kept =
        store::Reader::open(outbox.folder.file()).value().waiting_notices("duty", now + days(1), 9).value();
    REQUIRE(kept.size() == 1);
    CHECK(kept[0].id == "duty/a");
    CHECK(kept[0].tries == 1);
}

TEST_CASE("what belongs into one digest is one message, and what is to wait waits", "[notify][sender]") {
    Outbox outbox;
    Receiver receiver;
    outbox.put({message("a", "duty/digest/farm/1"), message("b", "duty/digest/farm/1"),
                message("later", {}, now + days(1))});
    auto const sender = outbox.sender(receiver);
    CHECK(receiver.wait_for(1) == std::vector<std::string>{"duty/digest/farm/1+a"});
    while (outbox.waiting() != 1) {
    }
    CHECK(receiver.asked.size() == 1);
}

}  // namespace
}  // namespace probekeeper::notify
