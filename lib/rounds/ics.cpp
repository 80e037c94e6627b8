#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>

#include "rounds/papers.h"
#include "rounds/words.h"

namespace probekeeper::rounds {
namespace {

// 3.3.11: TEXT.
std::string escaped(std::string_view text) {
    std::string out;
    for (char const c : text) {
        if (c == '\\' || c == ';' || c == ',') {
            out += '\\';
            out += c;
        } else if (c == '\n') {
            out += "\\n";
        } else if (static_cast<unsigned char>(c) >= 0x20 && c != 0x7f) {
            out += c;
        }
    }
    return out;
}

// 3.3.5, form 2: "20261130T091000Z".
std::string utc(Timestamp t) {
    auto const text = to_rfc3339(t);
    return text.substr(0, 4) + text.substr(5, 2) + text.substr(8, 5) + text.substr(14, 2) +
           text.substr(17, 2) + "Z";
}

struct Event {
    RoundStop const* stop = nullptr;
    RoundTechnician const* technician = nullptr;
    RoundDay const* day = nullptr;
    Round const* round = nullptr;
    int sequence = 0;
    bool cancelled = false;
};
using Events = std::map<std::string, Event>;  // by UID

// A site's later visits in a week have a number behind.
Events events_of(Round const& round) {
    std::vector<Event> all;
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            for (auto const& stop : day.stops) {
                all.push_back({&stop, &technician, &day, &round});
            }
        }
    }
    std::stable_sort(all.begin(), all.end(),
                     [](Event const& a, Event const& b) { return a.stop->arrive < b.stop->arrive; });
    Events events;
    for (auto const& event : all) {
        auto const base = zone::to_text(round.week) + "-" + event.stop->site;
        auto uid = base + "@probekeeper";
        for (int k = 2; events.contains(uid); ++k) {
            uid = fmt::format("{}-{}@probekeeper", base, k);
        }
        events.emplace(std::move(uid), event);
    }
    return events;
}

bool same_appointment(Event const& a, Event const& b) {
    return a.cancelled == b.cancelled && a.stop->arrive == b.stop->arrive && a.stop->leave == b.stop->leave &&
           a.technician->technician == b.technician->technician && a.day->with == b.day->with;
}

// What people have been told so far, and now this.
void tell(Events& told, Events const& now) {
    for (auto const& [uid, event] : now) {
        auto const [at, is_new] = told.emplace(uid, event);
        if (!is_new) {
            auto const sequence = at->second.sequence + (same_appointment(at->second, event) ? 0 : 1);
            at->second = event;
            at->second.sequence = sequence;
        }
    }
    for (auto& [uid, event] : told) {
        if (!event.cancelled && !now.contains(uid)) {
            event.cancelled = true;
            ++event.sequence;
        }
    }
}

class Calendar {
public:
    void line(std::string_view name, std::string_view value) {
        text_ += folded(fmt::format("{}:{}", name, value));
    }

    void event(std::string const& uid, Event const& event, Timestamp stamp, std::string_view status) {
        auto const& stop = *event.stop;
        std::string what;
        if (!event.day->with.empty()) {
            what =
                fmt::format("Together with {}.\n", fmt::join(names_of(*event.round, event.day->with), ", "));
        }
        for (auto const& job : stop.jobs) {
            what += fmt::format("{} ({}): {}\n", job.probe, job.location, job.why_now);
        }
        line("BEGIN", "VEVENT");
        line("UID", uid);
        line("DTSTAMP", utc(stamp));
        line("SEQUENCE", std::to_string(event.sequence));
        line("DTSTART", utc(stop.arrive));
        line("DTEND", utc(stop.leave));
        line("STATUS", status);
        line("SUMMARY", escaped(fmt::format("{}: {}", event.technician->name, stop.site_name)));
        if (!stop.address.empty()) {
            line("LOCATION", escaped(stop.address));
        }
        line("DESCRIPTION", escaped(what + stop.access_notes));
        line("END", "VEVENT");
    }

    [[nodiscard]] std::string const& text() const { return text_; }

private:
    std::string text_;
};

}  // namespace

std::string folded(std::string_view line) {
    constexpr std::size_t longest = 75;
    std::string out;
    std::size_t room = longest;
    while (line.size() > room) {
        auto cut = room;
        while (cut > 0 && (static_cast<unsigned char>(line[cut]) & 0xc0U) == 0x80U) {
            --cut;  // not inside a character
        }
        if (cut == 0) {
            cut = room;  // no UTF-8 at all: cut anywhere rather than nowhere
        }
        out.append(line.substr(0, cut)).append("\r\n ");
        line.remove_prefix(cut);
        room = longest - 1;  // the blank counts
    }
    out.append(line).append("\r\n");
    return out;
}

std::string to_ics(Round const& round, Timestamp stamp, std::span<Round const> told) {
    Calendar calendar;
    calendar.line("BEGIN", "VCALENDAR");
    calendar.line("VERSION", "2.0");
    calendar.line("PRODID", "-//Probekeeper//Rounds//EN");
    calendar.line("METHOD", "PUBLISH");
    Events events;
    for (auto const& before : told) {
        tell(events, events_of(before));
    }
    tell(events, events_of(round));
    bool const fixed = round.published_at && !round.differs;
    for (auto const& [uid, event] : events) {
        calendar.event(uid, event, stamp, event.cancelled ? "CANCELLED" : fixed ? "CONFIRMED" : "TENTATIVE");
    }
    calendar.line("END", "VCALENDAR");
    return calendar.text();
}

}  // namespace probekeeper::rounds
