#include "reference/table.h"

#include <fstream>
#include <sstream>
#include <stdexcept>
#include <string>

namespace probekeeper::reference {

std::vector<std::vector<double>> rows_of(std::string_view name) {
    std::string const path = std::string{PROBEKEEPER_SOURCE_DIR "/tests/reference/data/"} + std::string{name};
    std::ifstream file{path};
    std::vector<std::vector<double>> rows;
    std::string line;
    bool names_seen = false;
    while (std::getline(file, line)) {
        if (line.empty() || line.front() == '#') {
            continue;
        }
        if (!names_seen) {
            names_seen = true;
            continue;
        }
        std::istringstream cells{line};
        std::string cell;
        auto& row = rows.emplace_back();
        while (std::getline(cells, cell, ',')) {
            row.push_back(std::stod(cell));
        }
    }
    if (rows.empty()) {
        throw std::runtime_error{path + ": no values; expected a table of published values"};
    }
    return rows;
}

}  // namespace probekeeper::reference
