#include "fieldbus/plan.h"

#include <algorithm>
#include <limits>
#include <span>
#include <tuple>

#include "fieldbus/signals.h"
#include "fieldbus/timing.h"

namespace probekeeper::fieldbus {
namespace {

constexpr double characters_per_register = 2.0;
constexpr double characters_per_bit = 1.0 / 8.0;
constexpr double tcp_request_in_registers = 32.0;

// Addresses [first, end) of one signal.
struct Extent {
    int first = 0, end = 0;
};

std::vector<Extent> extents_in(fleet::Table table, std::vector<NamedSignal> const& signals) {
    std::vector<Extent> all;
    for (auto const& [name, signal] : signals) {
        if (signal.table == table) {
            all.push_back({signal.address, signal.address + signal.width()});
        }
    }
    std::sort(all.begin(), all.end(),
              [](Extent a, Extent b) { return std::tie(a.first, a.end) < std::tie(b.first, b.end); });
    return all;
}

Block block_over(fleet::Table table, int first, int end) {
    return {table, static_cast<std::uint16_t>(first), static_cast<std::uint16_t>(end - first)};
}

// The cheapest way to cut the sorted extents into runs, each run one request: best[n] is the cost of the
// first n.
std::vector<Block> cheapest_cover(fleet::Table table, std::span<Extent const> extents, double request,
                                  double per_address) {
    struct Best {
        double cost = std::numeric_limits<double>::infinity();
        std::size_t requests = 0, from = 0;
        int end = 0;
    };
    int const limit = holds_words(table) ? registers_per_read : bits_per_read;
    std::vector<Best> best(extents.size() + 1);
    best[0].cost = 0.0;
    for (std::size_t from = 0; from < extents.size(); ++from) {
        int end = 0;
        for (std::size_t to = from; to < extents.size(); ++to) {
            end = std::max(end, extents[to].end);
            int const addresses = end - extents[from].first;
            if (addresses > limit) {
                break;
            }
            Best const candidate{best[from].cost + request + per_address * addresses, best[from].requests + 1,
                                 from, end};
            auto& so_far = best[to + 1];
            if (std::tie(candidate.cost, candidate.requests) < std::tie(so_far.cost, so_far.requests)) {
                so_far = candidate;
            }
        }
    }
    std::vector<Block> blocks;
    for (std::size_t to = extents.size(); to > 0; to = best[to].from) {
        blocks.push_back(block_over(table, extents[best[to].from].first, best[to].end));
    }
    std::reverse(blocks.begin(), blocks.end());
    return blocks;
}

}  // namespace

bool covers(Block const& block, fleet::Signal const& signal) {
    return signal.table == block.table && signal.address >= block.first &&
           signal.address + signal.width() <= block.first + block.count;
}

CostModel costs_of(fleet::Line const& line) {
    if (line.transport == fleet::Transport::tcp) {
        return {tcp_request_in_registers, 1.0, 1.0 / 16.0};
    }
    auto const timing = timing_of(line);
    double const gap_characters =
        static_cast<double>(timing.gap.count()) / static_cast<double>(timing.character.count());
    return {static_cast<double>(request_bytes + answer_overhead_bytes) + 2.0 * gap_characters,
            characters_per_register, characters_per_bit};
}

std::vector<Block> plan(fleet::RegisterMap const& map, CostModel const& costs) {
    auto const signals = signals_of(map);
    std::vector<Block> blocks;
    for (auto const table :
         {fleet::Table::coil, fleet::Table::discrete, fleet::Table::input, fleet::Table::holding}) {
        auto const extents = extents_in(table, signals);
        double const per_address = holds_words(table) ? costs.per_register : costs.per_bit;
        auto const cover = cheapest_cover(table, extents, costs.request, per_address);
        blocks.insert(blocks.end(), cover.begin(), cover.end());
    }
    auto const oxygen = std::find_if(blocks.begin(), blocks.end(),
                                     [&](Block const& block) { return covers(block, map.dissolved_oxygen); });
    std::rotate(blocks.begin(), oxygen, oxygen + 1);
    return blocks;
}

std::vector<Block> without_holes(Block const& block, fleet::RegisterMap const& map) {
    std::vector<NamedSignal> inside;
    for (auto const& named : signals_of(map)) {
        if (covers(block, named.signal)) {
            inside.push_back(named);
        }
    }
    std::vector<Block> blocks;
    for (auto const [first, end] : extents_in(block.table, inside)) {
        int const reached = blocks.empty() ? -1 : blocks.back().first + blocks.back().count;
        if (first <= reached) {
            blocks.back() = block_over(block.table, blocks.back().first, std::max(reached, end));
        } else {
            blocks.push_back(block_over(block.table, first, end));
        }
    }
    return blocks;
}

}  // namespace probekeeper::fieldbus
