// Service records that people send: kept, answered by tickets, and asked about.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <iterator>
#include <limits>
#include <map>

#include "live/keeper.h"
#include "live/kept.h"
#include "pipeline/setup_of.h"
#include "service/questions.h"

namespace probekeeper::live {
namespace {

constexpr Millis furthest_ahead = std::chrono::minutes{5};

api::Refusal cannot_store() {
    return {api::Refusal::Kind::unavailable, "the record could not be stored; nothing has changed", {}, {}};
}

}  // namespace

// What the records of one batch are judged against.
class Keeper::Surroundings {
public:
    Surroundings(Keeper& keeper, std::vector<service::Record> const& fresh)
        : keeper_{keeper}, fresh_{keeper.fleet_->sites.size()} {
        for (auto const& record : fresh) {
            fresh_.keep(site_of(record),
                        {static_cast<std::int64_t>(fresh_.all().size()), record, {}, {}, {}});
        }
        if (std::none_of(fresh.begin(), fresh.end(), service::moves_instruments)) {
            return;
        }
        auto const known = keeper.book_.all();
        std::vector<service::KeptRecord> all{known.begin(), known.end()};
        for (auto const& record : fresh) {
            all.push_back({std::numeric_limits<std::int64_t>::max(), record, {}, {}, {}});
        }
        moved_.emplace(pipeline::configured_serials(*keeper.fleet_), all);
    }

    // One that says the same, if it is in force.
    [[nodiscard]] service::KeptRecord const* same(service::Record const& record) const {
        return keeper_.book_.same(site_of(record), record);
    }

    void ask(api::TakenRecord& taken) {
        auto const& record = taken.kept.record;
        auto const probe = *keeper_.fleet_->find_probe(record.probe);
        auto const site = site_of(record);
        auto of_visit = keeper_.book_.of_one_visit(site, record);
        std::erase_if(of_visit, [&](auto const* other) { return !keeper_.fleet_->find_probe(other->probe); });
        auto const fresh = fresh_.of_one_visit(site, record);
        of_visit.insert(of_visit.end(), fresh.begin(), fresh.end());
        std::vector<service::Record const*> own;
        std::copy_if(of_visit.begin(), of_visit.end(), std::back_inserter(own),
                     [&](service::Record const* r) { return r->probe == record.probe; });
        auto const around = service::around(record, of_visit, seen_around(site, record.time),
                                            instruments().serial_at(record.probe, record.time));
        taken.questions = service::questions_about(record, around);
        taken.still_to_do =
            service::still_to_do(record, own, keeper_.fleet_->probes[probe].limits.background_mg_l);
    }

private:
    // Of one of a configured probe.
    [[nodiscard]] fleet::SiteIndex site_of(service::Record const& record) const {
        return keeper_.fleet_->probes[*keeper_.fleet_->find_probe(record.probe)].site;
    }

    [[nodiscard]] service::Instruments const& instruments() const {
        return moved_ ? *moved_ : *keeper_.instruments_;
    }

    [[nodiscard]] service::ServiceChanges seen_around(fleet::SiteIndex site, Timestamp time) {
        service::ServiceChanges seen;
        for (auto const& [id, changes] : seen_at(site)) {
            auto const after = [](Timestamp t, diagnosis::ServiceChange const& c) { return t < c.at; };
            auto const before = [](diagnosis::ServiceChange const& c, Timestamp t) { return c.at < t; };
            auto first = std::upper_bound(changes.begin(), changes.end(), time - service::one_visit, after);
            first -= first != changes.begin() ? 1 : 0;  // what is in effect then
            auto const last = std::lower_bound(first, changes.end(), time + service::one_visit, before);
            if (first != last) {
                seen[id] = {first, last};
            }
        }
        return seen;
    }

    // Around all records of the batch: a sheet of thousands asks the store once for each probe of a site.
    [[nodiscard]] service::ServiceChanges const& seen_at(fleet::SiteIndex site) {
        auto const [at, is_new] = seen_.try_emplace(site);
        if (!is_new) {
            return at->second;
        }
        auto const of_site = fresh_.in_force(site);
        auto const from = of_site.front().time - service::one_visit;
        auto const until = of_site.back().time + service::one_visit;
        for (auto const probe : keeper_.sites_[site]->pipeline.probes()) {
            auto const& id = keeper_.fleet_->probes[probe].id;
            at->second[id] = keeper_.reader_.service_changes(id, from, until).value();
        }
        return at->second;
    }

    Keeper& keeper_;
    RecordBook fresh_;
    std::map<fleet::SiteIndex, service::ServiceChanges> seen_;
    std::optional<service::Instruments> moved_;  // with the fresh records, where they move any
};

std::optional<api::Refusal> Keeper::refuse(service::Record const& record, Timestamp now) const {
    if (!fleet_->find_probe(record.probe)) {
        return api::Refusal{api::Refusal::Kind::not_found, "there is no probe " + record.probe, {}, {}};
    }
    if (record.time > now + furthest_ahead) {
        return api::Refusal{api::Refusal::Kind::invalid,
                            "a record is of work that has been done: its time lies ahead",
                            "time",
                            {}};
    }
    return std::nullopt;
}

api::Answer<std::vector<api::TakenRecord>> Keeper::take_records(
    std::vector<service::Record> const& records, bool repeats_are_known,
    api::Keep<std::vector<api::TakenRecord>> const& keep) {
    auto const at = clock_.now();
    for (auto const& record : records) {
        if (auto refusal = refuse(record, at)) {
            return *refusal;
        }
    }
    tell_store();
    if (!writer_.flush().get()) {  // what the readings showed up to now is asked about below
        return cannot_store();
    }
    Surroundings surroundings{*this, records};
    std::vector<api::TakenRecord> taken;
    std::map<fleet::SiteIndex, service::TicketBook> before;
    std::map<fleet::SiteIndex, Timestamp> late;  // where what was diagnosed does not know the record
    store::Changes changes;
    std::vector<service::Record> fresh;
    std::multimap<Timestamp, std::size_t> taken_at;  // places in `taken`
    for (auto const& record : records) {
        api::TakenRecord one;
        auto const [first, last] = taken_at.equal_range(record.time);
        auto const earlier = std::find_if(
            first, last, [&](auto const& place) { return taken[place.second].kept.record == record; });
        auto const* known = !repeats_are_known ? nullptr
                            : earlier != last  ? &taken[earlier->second].kept
                                               : surroundings.same(record);
        one.repeated = known != nullptr;
        if (known != nullptr) {
            one.kept = *known;
        } else {
            one.kept.number = writer_.reserve_record_number();
            one.kept.record = record;
            changes.records.push_back(one.kept);
            fresh.push_back(record);
        }
        surroundings.ask(one);
        taken_at.emplace(record.time, taken.size());
        taken.push_back(std::move(one));
    }
    std::stable_sort(fresh.begin(), fresh.end(),
                     [](auto const& a, auto const& b) { return a.time < b.time; });
    for (auto const& record : fresh) {
        auto const site = fleet_->probes[*fleet_->find_probe(record.probe)].site;
        auto& pipeline = sites_[site]->pipeline;
        before.try_emplace(site, pipeline.book());
        for (auto& ticket : pipeline.book().record(record)) {
            changes.tickets.push_back(std::move(ticket));
        }
        if (record.time <= pipeline.now()) {
            late.emplace(site, record.time);  // the first is the earliest
        }
    }
    for (auto const& [site, from] : late) {
        forget_from(changes, site, from);
    }
    changes.notices = notices_about(changes.tickets);
    changes.answers = kept(keep ? keep(taken) : std::nullopt, at);
    auto const tickets = changes.tickets;
    auto const kept_records = changes.records;
    if (auto const stored = writer_.now(std::move(changes)).get(); !stored) {
        for (auto& [site, book] : before) {
            not_told(book, tickets);
            sites_[site]->pipeline.book() = std::move(book);
        }
        log_->error("event=records_not_stored records={} why=\"{}\"", fresh.size(), stored.error().message);
        return cannot_store();
    }
    for (auto const& changed : tickets) {
        ticket(changed);
        changes_.tickets.pop_back();  // it is stored already
    }
    keep_in_book(kept_records);
    for (auto const& record : fresh) {
        auto const site = fleet_->probes[*fleet_->find_probe(record.probe)].site;
        if (!late.contains(site) && !sites_[site]->pipeline.record(record)) {
            late.emplace(site, record.time);
        }
    }
    for (auto const& [site, from] : late) {
        remake_soon(site, from);
    }
    return taken;
}

}  // namespace probekeeper::live
