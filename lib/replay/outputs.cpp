#include "replay/outputs.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <fstream>
#include <stdexcept>

#include "document/ticket.h"
#include "document/write.h"

namespace probekeeper::replay {

OutputFolder::OutputFolder(std::filesystem::path const& folder) {
    auto const whole = std::filesystem::absolute(folder).lexically_normal();
    for (auto path = whole; !std::filesystem::exists(path); path = path.parent_path()) {
        made_.insert(made_.begin(), path);
    }
    std::filesystem::create_directories(whole);
}

OutputFolder::~OutputFolder() {
    for (auto path = made_.rbegin(); path != made_.rend(); ++path) {
        std::error_code not_empty;
        std::filesystem::remove(*path, not_empty);
    }
}

void write_file(std::filesystem::path const& file, std::string const& text) {
    // A device or a pipe stays what it is: to put a file in its place would take /dev/null from all others.
    bool const in_place = std::filesystem::exists(file) && !std::filesystem::is_regular_file(file);
    auto const beside = in_place ? file.string() : file.string() + ".part";
    {
        std::ofstream out{beside, std::ios::binary | std::ios::trunc};
        out << text;
        out.flush();
        if (!out) {
            throw std::runtime_error{fmt::format("{}: cannot be written", file.string())};
        }
    }
    if (!in_place) {
        std::filesystem::rename(beside, file);
    }
}

void write_tickets(std::filesystem::path const& file, std::vector<service::Ticket> tickets) {
    std::sort(tickets.begin(), tickets.end(), [](auto const& a, auto const& b) {
        return std::tie(a.opened_at, a.id) < std::tie(b.opened_at, b.id);
    });
    std::string text;
    for (auto const& ticket : tickets) {
        text += document::write(document::to_json(ticket));
        text += '\n';
    }
    write_file(file, text);
}

}  // namespace probekeeper::replay
