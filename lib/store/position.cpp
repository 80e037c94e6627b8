#include "store/position.h"

#include <spdlog/fmt/fmt.h>

#include "base/text.h"
#include "store/sqlite.h"

namespace probekeeper::store {

namespace {

[[noreturn]] void not_ours(std::string const& after) {
    refuse(Fault::bad_position,
           fmt::format("'{}' is no position of this list: pass on the `next` of the page before, unchanged",
                       after));
}

}  // namespace

std::vector<std::string> position_parts(std::string const& after, std::size_t parts) {
    std::vector<std::string> found;
    std::size_t begin = 0;
    while (true) {
        auto const comma = after.find(',', begin);
        found.push_back(after.substr(begin, comma - begin));
        if (comma == std::string::npos) {
            break;
        }
        begin = comma + 1;
    }
    if (found.size() != parts) {
        not_ours(after);
    }
    return found;
}

std::int64_t position_number(std::string const& after, std::string const& part) {
    auto const number = parse_integer(part);
    if (!number) {
        not_ours(after);
    }
    return *number;
}

std::string position_of(Timestamp time, std::string_view rest) {
    return rest.empty() ? fmt::format("{}", to_unix_ms(time)) : fmt::format("{},{}", to_unix_ms(time), rest);
}

void check_limit(PageRequest const& request) {
    if (request.limit < 1 || request.limit > 10'000) {
        refuse(Fault::bad_position, fmt::format("a page of {} items: ask for 1 to 10000", request.limit));
    }
}

}  // namespace probekeeper::store
