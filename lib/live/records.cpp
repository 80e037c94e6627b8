// Service records that people send: kept, answered by tickets, and asked about.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <iterator>
#include <limits>
#include <map>

#include "live/keeper.h"
#include "live/kept.h"
#include "live/lessons.h"
#include "pipeline/setup_of.h"
#include "service/questions.h"

namespace probekeeper::live {
namespace {

constexpr Millis furthest_ahead = std::chrono::minutes{5};

api::Refusal cannot_store() {
    return {api::Refusal::Kind::unavailable, "the record could not be stored; nothing has changed", {}, {}};
}

std::vector<service::Record> records_in_force(std::vector<service::KeptRecord> const& kept) {
    std::vector<service::Record> records;
    for (auto const& k : kept) {
        if (!k.voided_at) {
            records.push_back(k.record);
        }
    }
    return records;
}

}  // namespace

// What the records of one batch are judged against, read once a site.
class Keeper::Surroundings {
public:
    Surroundings(Keeper& keeper, std::vector<service::Record> const& fresh) : keeper_{keeper}, fresh_{fresh} {
        known_ = records_of(keeper.reader_, *keeper.fleet_).value();
        auto all = known_;
        for (auto const& record : fresh) {
            all.push_back({std::numeric_limits<std::int64_t>::max(), record, {}, {}, {}});
        }
        instruments_.emplace(pipeline::configured_serials(*keeper.fleet_), all);
    }

    // One that says the same, if it is in force.
    [[nodiscard]] service::KeptRecord const* same(service::Record const& record) const {
        auto const found = std::find_if(known_.begin(), known_.end(), [&](service::KeptRecord const& k) {
            return !k.voided_at && k.record == record;
        });
        return found == known_.end() ? nullptr : &*found;
    }

    void ask(api::TakenRecord& taken) const {
        auto const& record = taken.kept.record;
        auto const probe = *keeper_.fleet_->find_probe(record.probe);
        auto const& site = keeper_.fleet_->probes[probe].site;
        std::vector<service::Record> of_site;
        for (auto const& other : records_in_force(known_)) {
            add_of_site(other, site, of_site);
        }
        for (auto const& other : fresh_) {
            add_of_site(other, site, of_site);
        }
        std::vector<service::Record> visit;
        std::copy_if(of_site.begin(), of_site.end(), std::back_inserter(visit),
                     [&](service::Record const& r) {
                         return r.probe == record.probe && service::of_one_visit(r, record);
                     });
        auto const around = service::around(record, of_site, seen_around(site, record.time),
                                            instruments_->serial_at(record.probe, record.time));
        taken.questions = service::questions_about(record, around);
        taken.still_to_do =
            service::still_to_do(record, visit, keeper_.fleet_->probes[probe].limits.background_mg_l);
    }

private:
    void add_of_site(service::Record const& record, fleet::SiteIndex site,
                     std::vector<service::Record>& out) const {
        auto const probe = keeper_.fleet_->find_probe(record.probe);
        if (probe && keeper_.fleet_->probes[*probe].site == site) {
            out.push_back(record);
        }
    }

    [[nodiscard]] service::ServiceChanges seen_around(fleet::SiteIndex site, Timestamp time) const {
        service::ServiceChanges seen;
        for (auto const probe : keeper_.sites_[site]->pipeline.probes()) {
            auto const& id = keeper_.fleet_->probes[probe].id;
            auto changes =
                keeper_.reader_.service_changes(id, time - service::one_visit, time + service::one_visit)
                    .value();
            if (!changes.empty()) {
                seen[id] = std::move(changes);
            }
        }
        return seen;
    }

    Keeper& keeper_;
    std::vector<service::Record> const& fresh_;
    std::vector<service::KeptRecord> known_;
    std::optional<service::Instruments> instruments_;
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
    Surroundings const surroundings{*this, records};
    std::vector<api::TakenRecord> taken;
    std::map<fleet::SiteIndex, service::TicketBook> before;
    std::map<fleet::SiteIndex, Timestamp> late;  // where what was diagnosed does not know the record
    store::Changes changes;
    std::vector<service::Record> fresh;
    for (auto const& record : records) {
        api::TakenRecord one;
        auto const earlier = std::find_if(taken.begin(), taken.end(),
                                          [&](api::TakenRecord const& t) { return t.kept.record == record; });
        auto const* known = !repeats_are_known       ? nullptr
                            : earlier != taken.end() ? &earlier->kept
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
        taken.push_back(std::move(one));
    }
    std::stable_sort(fresh.begin(), fresh.end(),
                     [](auto const& a, auto const& b) { return a.time < b.time; });
    for (auto const& record : fresh) {
        auto const site = fleet_->probes[*fleet_->find_probe(record.probe)].site;
        auto& pipeline = sites_[site]->pipeline;
        before.emplace(site, pipeline.book());
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
    if (!fresh.empty()) {
        learn_instruments(all_instruments());
    }
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
