#include "store/reader.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"
#include "store/evidence.h"
#include "store/minutes.h"
#include "store/notices.h"
#include "store/outbox.h"
#include "store/people.h"
#include "store/position.h"
#include "store/probes.h"
#include "store/readings.h"
#include "store/schema.h"
#include "store/sqlite.h"
#include "store/told.h"

namespace probekeeper::store {

struct Reader::Open {
    explicit Open(std::filesystem::path const& path, Millis busy_timeout)
        : db{path, Access::read, busy_timeout} {
        db.run("PRAGMA cache_size = -4096");
        require_layout(db, layouts());
    }
    Database db;
};

namespace {

// Adds up summaries or readings that come in order into steps, until it has one more than it may give.
class StepMaker {
public:
    StepMaker(Millis step, std::size_t most) : step_{step}, most_{most} {}

    template <typename Part>
    bool add(Timestamp at, Part const& part) {
        auto const start = step_start(at, step_);
        if (steps_.empty() || steps_.back().start != start) {
            if (steps_.size() == most_) {
                return false;
            }
            steps_.emplace_back();
            steps_.back().start = start;
        }
        steps_.back().add(part);
        return true;
    }
    [[nodiscard]] std::vector<Step> take() const {
        std::vector<Step> made;
        std::transform(steps_.begin(), steps_.end(), std::back_inserter(made),
                       [](Summary const& s) { return s.step(); });
        return made;
    }

private:
    Millis step_;
    std::size_t most_;
    std::vector<Summary> steps_;
};

void make_steps(Database& db, ProbeKey probe, Timestamp from, Timestamp until, Millis step,
                StepMaker& maker) {
    bool wanted = true;
    if (step % minute == Millis{0}) {
        for_each_minute(db, probe, from, until, [&](Summary const& s) {
            wanted = maker.add(s.start, s);
            return wanted;
        });
    }
    if (!wanted) {
        return;
    }
    sum_up_readings(db, probe, from, until,
                    {[&](Timestamp start) {
                         return step >= hour &&
                                step_start(start, step) == step_start(start + hour - Millis{1}, step);
                     },
                     [&](Summary const& s) { return maker.add(s.start, s); },
                     [&](Reading const& r) { return maker.add(r.time, r); }});
}

// Far enough from the ends of the clock to count in steps, further than any reading.
Timestamp countable(Timestamp t) {
    constexpr Millis far{std::int64_t{1} << 60};
    return std::clamp(t, Timestamp{-far}, Timestamp{far});
}

Page<Step> read_steps(Database& db, ProbeKey probe, Timestamp from, Timestamp until, Millis step,
                      PageRequest const& request) {
    auto begin = step_start(countable(from), step);
    if (request.after) {
        begin = countable(from_unix_ms(position_number(*request.after, *request.after))) + step;
    }
    auto const end = step_start(countable(until) + step - Millis{1}, step);
    StepMaker maker{step, request.limit + 1};
    Snapshot snapshot{db};
    make_steps(db, probe, begin, end, step, maker);
    return cut(maker.take(), request.limit, [](Step const& s) { return position_of(s.start); });
}

}  // namespace

Reader::Reader(std::unique_ptr<Open> open) : open_{std::move(open)} {}
Reader::~Reader() = default;
Reader::Reader(Reader&&) noexcept = default;
Reader& Reader::operator=(Reader&&) noexcept = default;

Result<Reader> Reader::open(std::filesystem::path const& path, Millis busy_timeout) {
    return guarded([&] { return Reader{std::make_unique<Open>(path, busy_timeout)}; });
}

Result<std::vector<KnownProbe>> Reader::probes() {
    return guarded([&] { return known_probes(open_->db); });
}

Result<Page<Reading>> Reader::readings(std::string const& probe, Timestamp from, Timestamp until,
                                       PageRequest const& page) {
    return guarded([&]() -> Page<Reading> {
        check_limit(page);
        if (page.after) {
            from = countable(from_unix_ms(position_number(*page.after, *page.after))) + Millis{1};
        }
        auto const key = find_key(open_->db, probe);
        if (!key) {
            return {};
        }
        return cut(read_readings(open_->db, *key, from, until, page.limit + 1), page.limit,
                   [](Reading const& r) { return position_of(r.time); });
    });
}

Result<Page<Step>> Reader::steps(std::string const& probe, Timestamp from, Timestamp until, Millis step,
                                 PageRequest const& page) {
    return guarded([&]() -> Page<Step> {
        check_limit(page);
        if (step < Millis{1000} || step > days(366)) {
            refuse(Fault::bad_position,
                   fmt::format("a step of {} ms: ask for one second to 366 days", step.count()));
        }
        auto const key = find_key(open_->db, probe);
        return key ? read_steps(open_->db, *key, from, until, step, page) : Page<Step>{};
    });
}

Result<std::optional<Reading>> Reader::newest_reading(std::string const& probe) {
    return guarded([&]() -> std::optional<Reading> {
        auto const key = find_key(open_->db, probe);
        return key ? store::newest_reading(open_->db, *key) : std::nullopt;
    });
}

Result<std::optional<Timestamp>> Reader::newest_before(Timestamp before) {
    return guarded([&] { return store::newest_before(open_->db, before); });
}

Result<Page<diagnosis::ResponseTest>> Reader::response_tests(std::string const& probe, Timestamp from,
                                                             PageRequest const& page) {
    return guarded([&] { return read_tests(open_->db, probe, from, page); });
}

Result<Page<ProbeDiagnosis>> Reader::diagnoses(std::string const& probe, Timestamp from, Timestamp until,
                                               PageRequest const& page) {
    return guarded([&] { return read_diagnoses(open_->db, probe, from, until, page); });
}

Result<std::optional<ProbeDiagnosis>> Reader::newest_diagnosis(std::string const& probe) {
    return guarded([&] { return read_newest_diagnosis(open_->db, probe); });
}

Result<std::vector<diagnosis::ServiceChange>> Reader::service_changes(std::string const& probe,
                                                                      Timestamp from, Timestamp until) {
    return guarded([&] { return read_service_changes(open_->db, probe, from, until); });
}

Result<std::vector<ProbeDiagnosis>> Reader::newest_diagnoses() {
    return guarded([&] { return read_newest_diagnoses(open_->db); });
}

Result<std::optional<Checkpoint>> Reader::checkpoint(std::string const& site, std::string const& algorithm,
                                                     Timestamp at_or_before) {
    return guarded([&] { return read_checkpoint(open_->db, site, algorithm, at_or_before); });
}

Result<Page<service::Ticket>> Reader::tickets(TicketFilter const& filter, PageRequest const& page) {
    return guarded([&] {
        Snapshot snapshot{open_->db};
        return read_tickets(open_->db, filter, page);
    });
}

Result<std::optional<service::Ticket>> Reader::ticket(std::string const& id) {
    return guarded([&]() -> std::optional<service::Ticket> {
        auto const name = ticket_name(id);
        Snapshot snapshot{open_->db};
        return name ? read_ticket(open_->db, name->site, name->number) : std::nullopt;
    });
}

Result<std::int64_t> Reader::highest_ticket_number(std::string const& site) {
    return guarded([&] { return store::highest_ticket_number(open_->db, site); });
}

Result<Page<service::KeptRecord>> Reader::service_records(std::string const& probe, PageRequest const& page) {
    return guarded([&] { return read_records(open_->db, probe, page); });
}

Result<std::optional<service::KeptRecord>> Reader::service_record(std::int64_t number) {
    return guarded([&] { return read_record(open_->db, number); });
}

Result<std::vector<service::KeptRecord>> Reader::site_records(std::string const& site) {
    return guarded([&] { return read_site_records(open_->db, site); });
}

Result<std::vector<service::KeptRecord>> Reader::all_records() {
    return guarded([&] { return read_all_records(open_->db); });
}

Result<std::optional<KeptAnswer>> Reader::answer(std::string const& token, std::string const& path,
                                                 std::string const& key) {
    return guarded([&] { return read_answer(open_->db, token, path, key); });
}

Result<std::vector<Notice>> Reader::waiting_notices(std::string const& receiver, Timestamp now,
                                                    std::size_t most) {
    return guarded([&] { return read_waiting_notices(open_->db, receiver, now, most); });
}

Result<std::optional<Timestamp>> Reader::next_notice(std::string const& receiver) {
    return guarded([&] { return read_next_notice(open_->db, receiver); });
}

Result<std::size_t> Reader::notices_waiting(std::string const& receiver) {
    return guarded([&] { return count_waiting_notices(open_->db, receiver); });
}

Result<std::vector<KeptEvent>> Reader::events_after(std::int64_t id, std::size_t most) {
    return guarded([&] { return store::events_after(open_->db, id, most); });
}
Result<std::int64_t> Reader::last_event() {
    return guarded([&] { return store::last_event(open_->db); });
}
Result<Page<Change>> Reader::changes(PageRequest const& page) {
    return guarded([&] { return changes_page(open_->db, page); });
}
Result<std::vector<service::OutOfUse>> Reader::out_of_use() {
    return guarded([&] { return read_out_of_use(open_->db); });
}

Result<std::vector<KeptRound>> Reader::rounds(std::string const& week) {
    return guarded([&] { return rounds_of(open_->db, week); });
}
Result<std::vector<Downtime>> Reader::downtimes(Timestamp ending_after) {
    return guarded([&] { return read_downtimes(open_->db, ending_after); });
}

Result<std::optional<FeedState>> Reader::feed() {
    return guarded([&] {
        Snapshot snapshot{open_->db};
        return read_feed(open_->db);
    });
}
Result<FeedBacklog> Reader::feed_backlog() {
    return guarded([&] {
        Snapshot snapshot{open_->db};
        return read_backlog(open_->db);
    });
}
Result<std::vector<WaitingFact>> Reader::waiting_facts(std::int64_t seq, std::size_t most) {
    return guarded([&] { return read_waiting_facts(open_->db, seq, most); });
}
Result<std::vector<WaitingHour>> Reader::waiting_hours(std::int64_t seq, std::size_t most) {
    return guarded([&] { return read_waiting_hours(open_->db, seq, most); });
}
Result<bool> Reader::has_hours_over(Timestamp until) {
    return guarded([&] { return store::has_hours_over(open_->db, until); });
}
Result<bool> Reader::retells() {
    return guarded([&] { return open_->db.integer_of("SELECT EXISTS (SELECT 1 FROM retelling)") != 0; });
}
Result<std::optional<StepOutcome>> Reader::step_outcome(std::string const& site, std::string const& id) {
    return guarded([&] { return read_step_outcome(open_->db, site, id); });
}
Result<std::optional<diagnosis::ResponseTest>> Reader::response_test(std::string const& probe, Timestamp at,
                                                                     std::string const& source) {
    return guarded([&] { return read_test(open_->db, probe, at, source); });
}
Result<std::optional<service::OutOfUse>> Reader::out_of_use(std::int64_t number) {
    return guarded([&] { return read_out_of_use(open_->db, number); });
}
Result<void> Reader::at_once(std::function<Result<void>()> const& work) {
    return guarded([&] {
        Snapshot snapshot{open_->db};
        must(work());
    });
}

struct ReadingsStream::State {
    std::vector<ReadingsCursor> cursors;
    std::vector<std::size_t> places;  // of each cursor's probe
    // A heap of indices into `cursors`, the earliest reading at the front.
    std::vector<std::size_t> heap;

    bool later(std::size_t a, std::size_t b) {
        auto const a_time = cursors[a].peek()->time;
        auto const b_time = cursors[b].peek()->time;
        return a_time != b_time ? a_time > b_time : places[a] > places[b];
    }
    void push(std::size_t cursor) {
        if (cursors[cursor].peek() != nullptr) {
            heap.push_back(cursor);
            std::push_heap(heap.begin(), heap.end(), [this](auto a, auto b) { return later(a, b); });
        }
    }
    std::optional<Item> next() {
        if (heap.empty()) {
            return std::nullopt;
        }
        std::pop_heap(heap.begin(), heap.end(), [this](auto a, auto b) { return later(a, b); });
        auto const cursor = heap.back();
        heap.pop_back();
        Item item{places[cursor], *cursors[cursor].peek()};
        cursors[cursor].advance();
        push(cursor);
        return item;
    }
};

ReadingsStream::ReadingsStream(std::unique_ptr<State> state) : state_{std::move(state)} {}
ReadingsStream::~ReadingsStream() = default;
ReadingsStream::ReadingsStream(ReadingsStream&&) noexcept = default;

Result<std::optional<ReadingsStream::Item>> ReadingsStream::next() {
    return guarded([&] { return state_->next(); });
}

Result<ReadingsStream> Reader::stream(std::vector<std::string> const& probes, Timestamp from, Timestamp until,
                                      std::optional<std::size_t> after) {
    return guarded([&] {
        // About 6 MB of buffers for all together.
        auto const chunk =
            std::clamp<std::size_t>(65'536 / std::max<std::size_t>(probes.size(), 1), 64, 4096);
        auto state = std::make_unique<ReadingsStream::State>();
        for (std::size_t place = 0; place < probes.size(); ++place) {
            if (auto const key = find_key(open_->db, probes[place])) {
                bool const passed = after && place <= *after;
                state->cursors.emplace_back(open_->db, *key, passed ? from + Millis{1} : from, until, chunk);
                state->places.push_back(place);
            }
        }
        for (std::size_t i = 0; i < state->cursors.size(); ++i) {
            state->push(i);
        }
        return ReadingsStream{std::move(state)};
    });
}

std::optional<TicketName> ticket_name(std::string const& id) {
    auto const dash = id.rfind('-');
    if (dash == std::string::npos || dash == 0) {
        return std::nullopt;
    }
    auto const number = parse_integer(std::string_view{id}.substr(dash + 1));
    // "a-007" is not another name of "a-7".
    if (!number || *number < 1 || id.substr(dash + 1) != fmt::format("{}", *number)) {
        return std::nullopt;
    }
    return TicketName{id.substr(0, dash), *number};
}

}  // namespace probekeeper::store
