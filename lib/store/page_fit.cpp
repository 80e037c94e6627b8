#include "store/page_fit.h"

#include <algorithm>

namespace probekeeper::store {

namespace {

// "Database File Format" of SQLite, "B-tree Pages", for table leaves of pages of 4 KiB.
constexpr std::size_t page = 4096, page_header = 8, cell_header = 13, next_page = 4;
constexpr std::size_t local_most = page - 35, local_least = (page - 12) * 32 / 255 - 23;

constexpr double varies = 1.03;  // by so much rows of one probe differ in size
constexpr double worth_it = 0.01;
constexpr std::size_t tried_every = 16;

double bytes_taken(std::size_t row) {
    if (row <= local_most) {
        auto const rows_a_page = (page - page_header) / (row + cell_header);
        return static_cast<double>(page) / static_cast<double>(rows_a_page);
    }
    auto const beyond = local_least + (row - local_least) % (page - next_page);
    auto const local = beyond <= local_most ? beyond : local_least;
    auto const own_pages = (row - local + page - next_page - 1) / (page - next_page);
    return static_cast<double>(page * own_pages) + bytes_taken(local);
}

}  // namespace

double share_filled(std::size_t row) {
    return static_cast<double>(row) /
           bytes_taken(static_cast<std::size_t>(varies * static_cast<double>(row)));
}

std::size_t readings_to_fill(double a_reading, std::size_t least, std::size_t most) {
    auto best = most;
    double best_share = 0.0;
    for (auto n = most; n >= least; n -= tried_every) {
        auto const share = share_filled(static_cast<std::size_t>(a_reading * static_cast<double>(n)));
        if (share >
            best_share + worth_it) {  // of as good ones the largest, which has less beside its columns
            best = n;
            best_share = share;
        }
    }
    return best;
}

}  // namespace probekeeper::store
