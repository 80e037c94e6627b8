#include "notify/messages.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <boost/json/serialize.hpp>

#include "document/ticket.h"
#include "service/history.h"
#include "zone/zone.h"

namespace probekeeper::notify {
namespace {

namespace json = boost::json;
using fleet::NoticeSettings;

constexpr std::string_view reminder =
    "This says whether a probe can be believed. It does not replace the plant's own low-oxygen alarm.\n";

bool asks_for(std::vector<std::string> const& wanted, std::string_view word) {
    return wanted.empty() || std::find(wanted.begin(), wanted.end(), word) != wanted.end();
}

bool asks_for(NoticeSettings const& settings, service::Ticket const& ticket, fleet::Use use) {
    bool const reason = settings.reasons.empty() ||
                        std::any_of(ticket.reasons.begin(), ticket.reasons.end(), [&](auto const& r) {
                            return asks_for(settings.reasons, diagnosis::to_word(r.finding.reason));
                        });
    return reason && asks_for(settings.sites, ticket.site) &&
           asks_for(settings.urgencies, service::to_word(ticket.urgency)) &&
           asks_for(settings.uses, fleet::to_word(use));
}

bool within(fleet::Hours const& hours, Millis time_of_day) {
    bool const after = time_of_day >= hours.from, before = time_of_day < hours.until;
    return hours.from < hours.until ? after && before : after || before;
}

// The first instant behind `now` at which the site's clock shows that time.
Timestamp next_time(zone::Zone const& zone, std::chrono::minutes time_of_day, Timestamp now) {
    auto day = std::chrono::floor<std::chrono::days>(zone.to_local(now));
    auto at = zone.to_utc(day + Millis{time_of_day});
    while (at <= now) {
        day += std::chrono::days{1};
        at = zone.to_utc(day + Millis{time_of_day});
    }
    return at;
}

// Fills not_before and digest.
void hold(store::Notice& notice, NoticeSettings const& settings, fleet::Fleet const& fleet, bool can_wait,
          Timestamp now) {
    notice.not_before = now;
    auto const site = fleet.find_site(notice.site);
    if (!can_wait || !site) {
        return;
    }
    auto const zone = zone::Zone::find(fleet.sites[*site].time_zone).value_or(zone::Zone::utc());
    auto const local = zone.to_local(now);
    auto const time_of_day = local - std::chrono::floor<std::chrono::days>(local);
    if (settings.digest_at) {
        notice.not_before = next_time(zone, *settings.digest_at, now);
    } else if (settings.quiet && within(*settings.quiet, time_of_day)) {
        notice.not_before = next_time(zone, settings.quiet->until, now);
    } else {
        return;
    }
    notice.digest = fmt::format("{}/digest/{}/{}", settings.id, notice.site, to_rfc3339(notice.not_before));
}

json::object head(store::Notice const& notice) {
    return {{"id", notice.id},
            {"kind", notice.kind},
            {"site", notice.site},
            {"at", to_rfc3339(notice.at)},
            {"text", notice.text}};
}

std::string text_of(fleet::Fleet const& fleet, service::Ticket const& ticket,
                    service::HistoryEntry const& entry) {
    auto const probe = fleet.find_probe(ticket.probe);
    auto const site = fleet.find_site(ticket.site);
    std::string text = fmt::format("Ticket {} is {}.\n", ticket.id, service::to_word(entry.state));
    text += fmt::format(
        "Site: {}\nProbe: {}{}\n", site ? fleet.sites[*site].name : ticket.site, ticket.probe,
        probe && !fleet.probes[*probe].location.empty() ? ", " + fleet.probes[*probe].location : "");
    for (auto const& reason : ticket.reasons) {
        if (!reason.cleared_at) {
            text += fmt::format("{}: {}\n", diagnosis::to_word(reason.finding.reason), reason.finding.text);
        }
    }
    if (!entry.note.empty()) {
        text += fmt::format("By {}: {}\n", entry.by, entry.note);
    }
    if (!service::is_finished(entry.state)) {
        text += ticket.due ? fmt::format("Due: {}\n", to_rfc3339(*ticket.due)) : "";
        text += ticket.meanwhile.empty() ? "" : fmt::format("Meanwhile: {}\n", ticket.meanwhile);
    }
    return text + std::string{reminder};
}

store::Notice of_entry(fleet::Fleet const& fleet, NoticeSettings const& settings,
                       service::Ticket const& ticket, std::size_t place, Timestamp now) {
    auto const& entry = ticket.history[place];
    store::Notice notice;
    notice.id = fmt::format("{}/{}/{}", settings.id, ticket.id, place);
    notice.receiver = settings.id;
    notice.kind = "ticket";
    notice.site = ticket.site;
    notice.at = entry.at;
    notice.subject = fmt::format("{}: {}", ticket.probe, service::to_word(entry.state));
    notice.text = text_of(fleet, ticket, entry);
    auto document = head(notice);
    document["step"] = service::to_word(entry.state);
    document["by"] = entry.by;
    document["note"] = entry.note;
    document["ticket"] = document::to_json(ticket);
    notice.document = json::serialize(document);
    bool const urgent =
        ticket.urgency == service::Urgency::now && service::tells(entry) == service::Tells::reason;
    hold(notice, settings, fleet, !urgent, now);
    return notice;
}

template <typename Test>
bool any_silent(fleet::Fleet const& fleet, Outage const& outage, Test test) {
    return std::any_of(fleet.probes.begin(), fleet.probes.end(), [&](fleet::Probe const& probe) {
        return probe.line && probe.site == outage.site && (!outage.line || probe.line == outage.line) &&
               test(probe);
    });
}

// An outage is the no_communication of all its probes, and as urgent as that of the most important of them.
bool asks_for(NoticeSettings const& settings, fleet::Fleet const& fleet, Outage const& outage, bool urgent) {
    auto const urgency = urgent ? service::Urgency::now : service::Urgency::this_week;
    return asks_for(settings.sites, fleet.sites[outage.site].id) &&
           asks_for(settings.reasons, diagnosis::to_word(diagnosis::Reason::no_communication)) &&
           asks_for(settings.urgencies, service::to_word(urgency)) &&
           any_silent(fleet, outage,
                      [&](auto const& p) { return asks_for(settings.uses, fleet::to_word(p.use)); });
}

std::string text_of(fleet::Fleet const& fleet, Outage const& outage, std::string const& what) {
    auto const& name = fleet.sites[outage.site].name;
    if (outage.over) {
        return fmt::format("{}: {} answers again.\n", name, what);
    }
    return outage.began == Timestamp{}
               ? fmt::format("{}: no probe of {} has ever given a reading.\n{}", name, what, reminder)
               : fmt::format("{}: no probe of {} has given a reading since {}.\n{}", name, what,
                             to_rfc3339(outage.began), reminder);
}

}  // namespace

std::vector<store::Notice> of_ticket(fleet::Fleet const& fleet, std::vector<NoticeSettings> const& receivers,
                                     service::Ticket const& ticket, std::size_t first, Timestamp now) {
    std::vector<store::Notice> notices;
    auto const probe = fleet.find_probe(ticket.probe);
    auto const use = probe ? fleet.probes[*probe].use : fleet::Use::monitor;
    for (auto const& settings : receivers) {
        if (!asks_for(settings, ticket, use)) {
            continue;
        }
        for (auto place = first; place < ticket.history.size(); ++place) {
            if (service::tells(ticket.history[place]) != service::Tells::aside) {
                notices.push_back(of_entry(fleet, settings, ticket, place, now));
            }
        }
    }
    return notices;
}

std::vector<store::Notice> of_outage(fleet::Fleet const& fleet, std::vector<NoticeSettings> const& receivers,
                                     Outage const& outage, Timestamp now) {
    std::vector<store::Notice> notices;
    auto const& site = fleet.sites[outage.site];
    auto const what =
        outage.line ? fmt::format("line {}", fleet.lines[*outage.line].id) : std::string{"the whole site"};
    bool const urgent =
        any_silent(fleet, outage, [](auto const& probe) { return probe.use != fleet::Use::monitor; });
    for (auto const& settings : receivers) {
        if (!asks_for(settings, fleet, outage, urgent)) {
            continue;
        }
        store::Notice notice;
        notice.id = fmt::format("{}/outage/{}/{}{}", settings.id,
                                outage.line ? fleet.lines[*outage.line].id : site.id,
                                to_unix_ms(outage.began), outage.over ? "/over" : "");
        notice.receiver = settings.id;
        notice.kind = "outage";
        notice.site = site.id;
        notice.at = now;
        notice.subject = fmt::format("{}: {} {}", site.id, what, outage.over ? "answers again" : "is silent");
        notice.text = text_of(fleet, outage, what);
        auto document = head(notice);
        document["line"] = outage.line ? json::value(fleet.lines[*outage.line].id) : json::value(nullptr);
        document["since"] =
            outage.began == Timestamp{} ? json::value(nullptr) : json::value(to_rfc3339(outage.began));
        document["over"] = outage.over;
        notice.document = json::serialize(document);
        hold(notice, settings, fleet, outage.over || !urgent, now);
        notices.push_back(std::move(notice));
    }
    return notices;
}

store::Notice digest_of(std::vector<store::Notice> const& items, Timestamp now) {
    auto const& one = items.front();
    store::Notice notice;
    notice.id = fmt::format("{}+{}", one.digest, one.id.substr(one.receiver.size() + 1));
    notice.receiver = one.receiver;
    notice.kind = "digest";
    notice.site = one.site;
    notice.at = now;
    notice.not_before = now;
    notice.subject = items.size() == 1 ? one.subject : fmt::format("{}: {} messages", one.site, items.size());
    std::string documents;
    for (auto const& item : items) {
        auto text = std::string_view{item.text};
        text = text.substr(0, text.find(reminder));  // once is enough
        notice.text += fmt::format("{}{}\n{}", notice.text.empty() ? "" : "\n", item.subject, text);
        documents += (documents.empty() ? "" : ",") + item.document;
    }
    notice.text += "\n" + std::string{reminder};
    auto document = json::serialize(head(notice));
    document.pop_back();
    notice.document = fmt::format("{},\"items\":[{}]}}", document, documents);
    return notice;
}

}  // namespace probekeeper::notify
