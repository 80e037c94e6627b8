#include "service/instruments.h"

#include <algorithm>
#include <set>

namespace probekeeper::service {
namespace {

std::vector<KeptRecord const*> in_order(std::span<KeptRecord const> records) {
    std::vector<KeptRecord const*> order;
    for (auto const& kept : records) {
        if (!kept.voided_at) {
            order.push_back(&kept);
        }
    }
    std::sort(order.begin(), order.end(), [](auto const* a, auto const* b) {
        return a->record.time != b->record.time ? a->record.time < b->record.time : a->number < b->number;
    });
    return order;
}

// What the records say was in a position before its first swap.
struct Before {
    std::string named;              // by a record before that swap
    std::set<std::string> brought;  // by swaps
};

std::map<std::string, Before> before_swaps(std::vector<KeptRecord const*> const& order) {
    std::map<std::string, Before> all;
    std::set<std::string> swapped;
    for (auto const* kept : order) {
        auto const& r = kept->record;
        auto& before = all[r.probe];
        if (r.kind == Work::probe_swap) {
            swapped.insert(r.probe);
            before.brought.insert(r.serial);
        } else if (!r.serial.empty() && !swapped.contains(r.probe)) {
            before.named = r.serial;
        }
    }
    return all;
}

}  // namespace

Instruments::Instruments(std::map<std::string, std::string> const& configured,
                         std::span<KeptRecord const> records) {
    auto const order = in_order(records);
    auto before = before_swaps(order);
    for (auto const& [probe, serial] : configured) {
        auto& known = before[probe];
        if (known.named.empty() && !known.brought.contains(serial)) {
            known.named = serial;
        }
    }
    for (auto const& [probe, known] : before) {
        begin(probe, known.named);
    }
    for (auto const* kept : order) {
        if (kept->record.kind == Work::probe_swap) {
            swap(kept->record);
        }
    }
    for (auto const& [serial, instrument] : all_) {
        for (auto const& stay : instrument.stays) {
            held_[stay.probe].push_back({serial, stay.from, stay.until});
        }
    }
}

bool moves_instruments(Record const& record) {
    return record.kind == Work::probe_swap || !record.serial.empty();
}

// One instrument named for two positions stays with the first: where it really was before, nobody said.
void Instruments::begin(std::string const& probe, std::string const& serial) {
    bool const known = serial.empty() || all_.contains(serial);
    now_[probe] = known ? std::string{} : serial;
    if (!known) {
        enter(serial, probe, std::nullopt);
    }
}

void Instruments::swap(Record const& record) {
    auto const out = now_[record.probe];
    if (out == record.serial && !out.empty()) {
        return;  // taken out and put back
    }
    if (!out.empty()) {
        leave(out, record.time);
        enter(out, "", record.time);
    }
    if (!record.serial.empty()) {
        if (auto const known = all_.find(record.serial); known != all_.end()) {
            now_[known->second.where()].clear();  // it may come from another position
            leave(record.serial, record.time);
        }
        enter(record.serial, record.probe, record.time);
    }
    now_[record.probe] = record.serial;
}

void Instruments::leave(std::string const& serial, Timestamp time) {
    auto& stays = all_.at(serial).stays;
    stays.back().until = time;
    if (stays.back().from == time) {
        stays.pop_back();  // from one position into another: it was in the workshop for no time
    }
}

void Instruments::enter(std::string const& serial, std::string const& probe, std::optional<Timestamp> time) {
    auto& instrument = all_[serial];
    instrument.serial = serial;
    instrument.stays.push_back({probe, time, std::nullopt});
}

std::string Instruments::serial_now(std::string const& probe) const {
    auto const found = now_.find(probe);
    return found == now_.end() ? std::string{} : found->second;
}

std::string Instruments::serial_at(std::string const& probe, Timestamp time) const {
    auto const held = held_.find(probe);
    if (held == held_.end()) {
        return {};
    }
    auto const then = std::find_if(held->second.begin(), held->second.end(), [&](Held const& stay) {
        return (!stay.from || *stay.from <= time) && (!stay.until || time < *stay.until);
    });
    return then == held->second.end() ? std::string{} : then->serial;
}

}  // namespace probekeeper::service
