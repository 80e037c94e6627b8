#include "live/round_desk.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "document/round.h"
#include "document/write.h"
#include "live/refusals.h"
#include "rounds/keep.h"

namespace probekeeper::live {
namespace {

using Kind = api::Refusal::Kind;

// Nothing is planned before the next full hour: a plan then stands for an hour, and so do its papers.
Timestamp planning_time(Timestamp now) {
    return std::chrono::ceil<std::chrono::hours>(now);
}

bool is_over(zone::Week week, Timestamp now) {
    return Timestamp{zone::monday_of(week)} + std::chrono::days{8} <= now;  // over everywhere on the earth
}

rounds::Round empty_round(fleet::Fleet const& fleet, zone::Week week) {
    rounds::Round round;
    round.week = week;
    for (auto const& technician : fleet.technicians) {
        round.technicians.push_back(
            {technician.id, technician.name, fleet.depots[technician.depot].time_zone, {}, {}});
    }
    return round;
}

}  // namespace

RoundDesk::RoundDesk(std::unique_ptr<RoundBook> book, std::shared_ptr<spdlog::logger> log, Options options)
    : book_{std::move(book)}, log_{std::move(log)}, options_{options}, thread_{[this] { work(); }} {}

RoundDesk::~RoundDesk() {
    {
        std::scoped_lock const lock{mutex_};
        stopping_ = true;
    }
    wake_.notify_all();
    done_.notify_all();
    thread_.join();
}

api::Answer<api::WeekRound> RoundDesk::round(zone::Week week) {
    auto source = source_of(week);
    if (!source) {
        return source.error();
    }
    return planned(std::move(source.value()), {options_.wait_for_first, options_.wait_for_newer});
}

api::Answer<api::WeekRound> RoundDesk::publish(zone::Week week, std::string const& by,
                                               api::Keep<api::WeekRound> const& keep) {
    std::scoped_lock const one_at_a_time{publishing_};
    auto source = source_of(week);
    if (!source) {
        return source.error();
    }
    auto const told = source.value().told;
    auto answer = planned(std::move(source.value()), {options_.wait_to_publish, options_.wait_to_publish});
    if (!answer) {
        return answer.error();
    }
    auto made = std::move(answer.value());
    if (made.planning) {
        return api::Refusal{
            Kind::unavailable, "the round is still being planned; nothing has been published", {}, {}};
    }
    std::vector<store::KeptRound> rounds;
    auto const at = book_->now();
    if (told.published.empty() || told.replanned || made.round.differs) {
        made.round.published_at = at;
        made.round.revision = told.published.empty() ? 1 : told.published.back().revision + 1;
        made.round.differs = false;
        made.told.push_back(made.round);
        rounds.push_back({zone::to_text(week), store::KeptRound::What::published, at, by,
                          document::write(document::to_json(made.round))});
        log_->info("event=round_published week={} revision={}", zone::to_text(week), made.round.revision);
    }
    if (auto const kept = this->keep(std::move(rounds), keep ? keep(made) : std::nullopt, at); !kept) {
        return kept.error();
    }
    return made;
}

api::Answer<api::WeekRound> RoundDesk::replan(zone::Week week, std::string const& by,
                                              api::Keep<api::WeekRound> const& keep) {
    std::scoped_lock const one_at_a_time{publishing_};
    auto source = source_of(week);
    if (!source) {
        return source.error();
    }
    source.value().told.replanned = true;
    auto answer = planned(std::move(source.value()), {options_.wait_for_first, options_.wait_for_newer});
    if (!answer && answer.error().kind != Kind::unavailable) {
        return answer.error();
    }
    // Asked for is asked for, though the plan may take longer than the caller waits.
    auto const at = book_->now();
    auto const kept =
        this->keep({{zone::to_text(week), store::KeptRound::What::replanned, at, by, {}}},
                   keep && answer && !answer.value().planning ? keep(answer.value()) : std::nullopt, at);
    if (!kept) {
        return kept.error();
    }
    return answer;
}

api::Answer<void> RoundDesk::keep(std::vector<store::KeptRound> rounds,
                                  std::optional<api::KeptAnswer> const& answer, Timestamp at) {
    if (rounds.empty() && !answer) {
        return {};
    }
    if (auto const why = book_->keep(std::move(rounds), answer, at); !why.empty()) {
        log_->error("event=round_not_stored why=\"{}\"", why);
        return api::Refusal{Kind::unavailable, "the round could not be stored; nothing has changed", {}, {}};
    }
    return {};
}

api::Answer<RoundSource> RoundDesk::source_of(zone::Week week) {
    auto source = book_->source(week, planning_time(book_->now()));
    if (source && source->fleet->technicians.empty()) {
        return api::Refusal{Kind::not_found,
                            "there are no rounds here: the configuration has no [[depot]] and [[technician]]",
                            {},
                            {}};
    }
    return source;
}

RoundDesk::Entry& RoundDesk::entry_of(zone::Week week) {
    if (!weeks_.contains(week) && weeks_.size() >= options_.weeks_kept) {
        auto const idle = [](auto const& item) { return !item.second.wanted; };
        auto oldest = weeks_.end();
        for (auto it = weeks_.begin(); it != weeks_.end(); ++it) {
            if (idle(*it) && (oldest == weeks_.end() || it->second.used < oldest->second.used)) {
                oldest = it;
            }
        }
        if (oldest != weeks_.end()) {
            weeks_.erase(oldest);
        }
    }
    auto& entry = weeks_[week];
    entry.used = ++uses_;
    return entry;
}

api::Answer<api::WeekRound> RoundDesk::planned(RoundSource source, Patience patience) {
    auto const week = source.asked.week;
    auto const print = fingerprint_of(source);
    std::unique_lock lock{mutex_};
    auto& entry = entry_of(week);
    auto const is_made = [&] { return entry.kept && entry.kept->print == print; };
    if (!is_made()) {
        if (!entry.wanted) {
            queue_.push_back(week);
        }
        if (entry.wanted_print != print || !entry.wanted) {
            entry.wanted = std::move(source);
            entry.wanted_print = print;
            entry.failed.clear();
        }
        wake_.notify_one();
        if (waiting_ < options_.most_waiting) {
            ++waiting_;
            done_.wait_for(lock, entry.kept ? patience.newer : patience.first,
                           [&] { return is_made() || stopping_ || !entry.failed.empty(); });
            --waiting_;
        }
    }
    if (!entry.kept) {
        return api::Refusal{
            Kind::unavailable,
            entry.failed.empty()
                ? fmt::format("the round of {} is being planned, {:.0f} % done: ask again in a few seconds",
                              zone::to_text(week), entry.share * 100.0)
                : entry.failed,
            {},
            {}};
    }
    auto answer = entry.kept->round;
    if (!is_made()) {
        answer.planning = entry.share;
    }
    return answer;
}

void RoundDesk::work() {
    std::unique_lock lock{mutex_};
    while (true) {
        wake_.wait(lock, [&] { return stopping_ || !queue_.empty(); });
        if (stopping_) {
            return;
        }
        auto const week = queue_.front();
        auto& entry = weeks_.at(week);
        auto const source = *entry.wanted;
        auto const print = entry.wanted_print;
        entry.share = 0.0;
        lock.unlock();
        std::optional<api::WeekRound> made;
        std::string failed;
        try {
            made = plan(source, week);
        } catch (std::exception const& error) {
            log_->error("event=round_not_planned week={} why=\"{}\"", zone::to_text(week), error.what());
            failed = "the round could not be planned; the log says why";
        }
        lock.lock();
        if (made) {
            entry.kept = Kept{print, std::move(*made)};
        }
        entry.failed = std::move(failed);
        queue_.pop_front();
        if (entry.wanted_print == print) {
            entry.wanted.reset();
        } else {
            queue_.push_back(week);  // the tickets are others by now
        }
        done_.notify_all();
    }
}

bool RoundDesk::go_on(zone::Week week, double share) {
    std::scoped_lock const lock{mutex_};
    weeks_.at(week).share = share;
    return !stopping_;
}

api::WeekRound RoundDesk::plan(RoundSource const& source, zone::Week week) {
    auto const& published = source.told.published;
    api::WeekRound made;
    made.told = published;
    made.made_at = source.asked.now;
    if (is_over(week, source.asked.now)) {
        made.round = published.empty() ? empty_round(*source.fleet, week) : published.back();
    } else if (!published.empty() && !source.told.replanned) {
        made.round = rounds::keep_round(*source.fleet, source.asked, published.back());
    } else {
        made.round = search(source, week);
    }
    return made;
}

rounds::Round RoundDesk::search(RoundSource const& source, zone::Week week) {
    auto const& published = source.told.published;
    rounds::SearchSettings settings;
    auto const end = std::chrono::steady_clock::now() + std::chrono::duration_cast<std::chrono::milliseconds>(
                                                            seconds(source.fleet->rounds.search_seconds));
    settings.go_on = [&](rounds::Progress const& progress) {
        return go_on(week, static_cast<double>(progress.done) /
                               static_cast<double>(std::max<std::int64_t>(1, progress.of))) &&
               std::chrono::steady_clock::now() < end;
    };
    auto asked = source.asked;
    if (!published.empty()) {
        rounds::leave_begun(asked, published.back());
    }
    auto round = rounds::plan_round(*source.fleet, asked, settings);
    if (!published.empty()) {
        rounds::add_begun(round, published.back(), asked.now);
        round.revision = published.back().revision + 1;
        round.differs = true;
        round.moved = rounds::moved_between(published.back(), round);
    }
    return round;
}

}  // namespace probekeeper::live
