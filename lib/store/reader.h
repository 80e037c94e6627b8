// Reading the store while it is being written. A Reader is a connection of its own: it sees what is
// committed, never waits for the writer and never makes it wait. One thread at a time may use a Reader;
// ReaderPool lends them.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "store/result.h"
#include "store/values.h"

namespace probekeeper::store {

// The readings of several probes in order of (time, place of the probe in the list), fetched in chunks:
// memory does not grow with their number, and no transaction stays open between calls. Readings that are
// committed behind the cursor while it runs are not met, so `until` should not lie beyond what is known to be
// committed.
class ReadingsStream {
public:
    struct Item {
        std::size_t place = 0;  // of the probe in the list
        Reading reading;
    };

    ~ReadingsStream();
    ReadingsStream(ReadingsStream&&) noexcept;
    // The next reading; empty at the end.
    [[nodiscard]] Result<std::optional<Item>> next();

private:
    friend class Reader;
    struct State;
    explicit ReadingsStream(std::unique_ptr<State> state);
    std::unique_ptr<State> state_;
};

class Reader {
public:
    // Refuses a file of another layout (Fault::older, Fault::newer) and one that does not exist.
    [[nodiscard]] static Result<Reader> open(std::filesystem::path const& path,
                                             Millis busy_timeout = Millis{5000});
    ~Reader();
    Reader(Reader&&) noexcept;
    Reader& operator=(Reader&&) noexcept;

    [[nodiscard]] Result<std::vector<KnownProbe>> probes();  // by id, removed ones too

    // Times are from <= time < until throughout. A probe that is not known has nothing: an empty page, no
    // failure.
    [[nodiscard]] Result<Page<Reading>> readings(std::string const& probe, Timestamp from, Timestamp until,
                                                 PageRequest const& page);
    // Steps in order, of at least one second; those without readings are left out. The range is widened to
    // whole steps. Steps of whole minutes reach back beyond the full-rate readings, into the minutes kept of
    // expired ones.
    [[nodiscard]] Result<Page<Step>> steps(std::string const& probe, Timestamp from, Timestamp until,
                                           Millis step, PageRequest const& page);
    [[nodiscard]] Result<std::optional<Reading>> newest_reading(std::string const& probe);
    // Of all probes, the time of the newest reading before `before`; `before` itself where that lies amid
    // readings that are kept together, which are not looked into.
    [[nodiscard]] Result<std::optional<Timestamp>> newest_before(Timestamp before);
    // The readings of `probes` (ids, in the order that decides ties) from `from` on, or, with `after`, only
    // those behind (from, that place). The Reader must outlive the stream, and may be used beside it.
    [[nodiscard]] Result<ReadingsStream> stream(std::vector<std::string> const& probes, Timestamp from,
                                                Timestamp until,
                                                std::optional<std::size_t> after = std::nullopt);

    // By (time, source).
    [[nodiscard]] Result<Page<diagnosis::ResponseTest>> response_tests(std::string const& probe,
                                                                       Timestamp from,
                                                                       PageRequest const& page);
    [[nodiscard]] Result<Page<ProbeDiagnosis>> diagnoses(std::string const& probe, Timestamp from,
                                                         Timestamp until,
                                                         PageRequest const& page);  // by time
    // When somebody worked on the probe, in order of `at`: beginning with the change that is in effect at
    // `from`, if there is one.
    [[nodiscard]] Result<std::vector<diagnosis::ServiceChange>> service_changes(std::string const& probe,
                                                                                Timestamp from,
                                                                                Timestamp until);
    [[nodiscard]] Result<std::optional<ProbeDiagnosis>> newest_diagnosis(std::string const& probe);
    [[nodiscard]] Result<std::vector<ProbeDiagnosis>> newest_diagnoses();  // by probe id
    // The newest of that algorithm version with position <= `at_or_before`.
    [[nodiscard]] Result<std::optional<Checkpoint>> checkpoint(std::string const& site,
                                                               std::string const& algorithm,
                                                               Timestamp at_or_before = Timestamp::max());

    // By (opened_at, site, number).
    [[nodiscard]] Result<Page<service::Ticket>> tickets(TicketFilter const& filter, PageRequest const& page);
    [[nodiscard]] Result<std::optional<service::Ticket>> ticket(std::string const& id);
    [[nodiscard]] Result<std::int64_t> highest_ticket_number(
        std::string const& site);  // 0 where there is none
    // By (time, number).
    [[nodiscard]] Result<Page<service::KeptRecord>> service_records(std::string const& probe,
                                                                    PageRequest const& page);
    [[nodiscard]] Result<std::optional<service::KeptRecord>> service_record(std::int64_t number);
    [[nodiscard]] Result<std::vector<service::KeptRecord>> site_records(std::string const& site);
    [[nodiscard]] Result<std::vector<service::KeptRecord>> all_records();  // of all sites, removed ones too
    [[nodiscard]] Result<std::optional<KeptAnswer>> answer(std::string const& token, std::string const& path,
                                                           std::string const& key);
    // Messages to be sent at `now`, by the time from which each may be, then as they came.
    [[nodiscard]] Result<std::vector<Notice>> waiting_notices(std::string const& receiver, Timestamp now,
                                                              std::size_t most);
    [[nodiscard]] Result<std::optional<Timestamp>> next_notice(
        std::string const& receiver);  // empty: none waits
    [[nodiscard]] Result<std::size_t> notices_waiting(std::string const& receiver);
    [[nodiscard]] Result<std::vector<KeptEvent>> events_after(std::int64_t id, std::size_t most);  // by id
    [[nodiscard]] Result<std::int64_t> last_event();                                               // 0: none
    [[nodiscard]] Result<Page<Change>> changes(PageRequest const& page);            // newest first
    [[nodiscard]] Result<std::vector<service::OutOfUse>> out_of_use();              // of all sites, by number
    [[nodiscard]] Result<std::vector<KeptRound>> rounds(std::string const& week);   // as they came
    [[nodiscard]] Result<std::vector<Downtime>> downtimes(Timestamp ending_after);  // by stopped_at

    // For a hub; see feed.h. Empty: nothing is noted for one.
    [[nodiscard]] Result<std::optional<FeedState>> feed();
    [[nodiscard]] Result<FeedBacklog> feed_backlog();
    // Behind `seq`, in order. Without feeding there are none.
    [[nodiscard]] Result<std::vector<WaitingFact>> waiting_facts(std::int64_t seq, std::size_t most);
    [[nodiscard]] Result<std::vector<WaitingHour>> waiting_hours(std::int64_t seq, std::size_t most);
    [[nodiscard]] Result<bool> has_hours_over(Timestamp until);  // for FeedChanges::hours_until
    [[nodiscard]] Result<bool> retells();  // whether some of the past has yet to join them
    [[nodiscard]] Result<std::optional<StepOutcome>> step_outcome(std::string const& site,
                                                                  std::string const& id);
    [[nodiscard]] Result<std::optional<diagnosis::ResponseTest>> response_test(std::string const& probe,
                                                                               Timestamp at,
                                                                               std::string const& source);
    [[nodiscard]] Result<std::optional<service::OutOfUse>> out_of_use(std::int64_t number);
    // The work of several calls upon one state of the file.
    [[nodiscard]] Result<void> at_once(std::function<Result<void>()> const& work);

private:
    struct Open;
    explicit Reader(std::unique_ptr<Open> open);
    std::unique_ptr<Open> open_;
};

// A ticket's id "<site>-<number>" in two; empty where it is not one.
struct TicketName {
    std::string site;
    std::int64_t number = 0;
};
[[nodiscard]] std::optional<TicketName> ticket_name(std::string const& id);

}  // namespace probekeeper::store
