// Documents in what the database answered. Private to this room.
#pragma once

#include <stdexcept>
#include <utility>
#include <vector>

#include "postgres/connection.h"

namespace probekeeper::hub {

// That of each row, as `read` gives it of the column's text. Throws where one is not of this version.
template <typename T, typename Read>
[[nodiscard]] std::vector<T> documents(postgres::Rows const& rows, int column, Read const& read) {
    std::vector<T> all;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        auto document = read(rows.text(i, column));
        if (!document) {
            throw std::runtime_error{"a document in the hub's database is none of this version"};
        }
        all.push_back(std::move(*document));
    }
    return all;
}

}  // namespace probekeeper::hub
