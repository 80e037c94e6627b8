#include "bench/rounds/known.h"

#include <spdlog/fmt/fmt.h>

#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace probekeeper::rounds {

std::string known_file(std::uint64_t seed) {
    return fmt::format(PROBEKEEPER_SOURCE_DIR "/tests/bench/rounds/known/{}.csv", seed);
}

std::optional<Plan> read_known(std::string const& file, Week const& week) {
    std::ifstream in{file};
    if (!in) {
        return std::nullopt;
    }
    Plan plan;
    for (std::string line; std::getline(in, line);) {
        if (line.starts_with('#')) {
            continue;
        }
        auto& route = plan.routes.emplace_back();
        std::istringstream cells{line};
        for (std::string cell; std::getline(cells, cell, ',');) {
            route.push_back(std::stoi(cell));
        }
    }
    if (plan.routes.size() != week.shifts.size()) {
        throw std::runtime_error(
            fmt::format("{}: {} shifts, the week has {}", file, plan.routes.size(), week.shifts.size()));
    }
    if (auto const broken = judge(week, plan).broken) {
        throw std::runtime_error(fmt::format("{}: {}", file, *broken));
    }
    return plan;
}

void write_known(std::string const& file, Plan const& plan, std::string const& remark) {
    auto const part = file + ".part";
    {
        std::ofstream out{part};
        out << "# " << remark << "\n";
        for (auto const& route : plan.routes) {
            out << fmt::format("{}\n", fmt::join(route, ","));
        }
        if (!out) {
            throw std::runtime_error("cannot write " + part);
        }
    }
    std::filesystem::rename(part, file);
}

}  // namespace probekeeper::rounds
