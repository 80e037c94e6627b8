#include "rounds/packing.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rounds/random.h"

namespace probekeeper::rounds {
namespace {

constexpr double tiny = 1e-9;
constexpr double largest_move = 1e-4;
// So many columns are compared for one step; the next step goes on from there.
constexpr std::size_t compared_a_row = 4;
// So many of them are chosen among for the next steps, while they help at least this share of what they did.
constexpr std::size_t most_likely = 12;
constexpr double still_helps = 0.3;
constexpr int none = std::numeric_limits<int>::max();
constexpr std::int64_t invert_every = 400;
// Machines with wider registers do the same additions, and without contractions to the same bits (the build
// says -ffp-contract=off), only more at a time.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_THREAD__) && \
    !defined(__SANITIZE_ADDRESS__)
#define PROBEKEEPER_AS_WIDE_AS_CAN_BE [[gnu::target_clones("avx512f", "avx2", "default")]]
#else
#define PROBEKEEPER_AS_WIDE_AS_CAN_BE
#endif

// `inverse`, column after column, once `direction` is the unit vector of row `out`; `helps` of that is taken
// off `worth`.
PROBEKEEPER_AS_WIDE_AS_CAN_BE
void turn(std::size_t size, double* inverse, double const* direction, std::size_t out, double helps,
          double* worth) {
    double const pivot = direction[out];
    for (std::size_t k = 0; k < size; ++k) {
        double* const to = inverse + k * size;
        double const share = to[out] / pivot;
        if (share == 0.0) {
            continue;
        }
        for (std::size_t r = 0; r < size; ++r) {
            to[r] -= share * direction[r];
        }
        to[out] = share;
        worth[k] -= helps * share;
    }
}

constexpr int slack_of(std::size_t row) {
    return -1 - static_cast<int>(row);
}
constexpr std::size_t row_of(int slack) {
    return static_cast<std::size_t>(-1 - slack);
}

}  // namespace

Packing::Packing(std::vector<int> const& most)
    : size_{most.size()},
      inverse_(size_ * size_, 0.0),
      worth_(size_, 0.0),
      direction_(size_, 0.0),
      basis_(size_) {
    Random random{size_};
    for (std::size_t r = 0; r < size_; ++r) {
        room_.push_back(most[r] + largest_move * (0.5 + 0.5 * random.unit()));
        inverse_[r * size_ + r] = 1.0;
        basis_[r] = slack_of(r);
    }
    amount_ = room_;
}

std::size_t Packing::add(std::span<int const> rows, double cost) {
    rows_.insert(rows_.end(), rows.begin(), rows.end());
    first_.push_back(rows_.size());
    cost_.push_back(cost);
    place_.push_back(-1);
    return cost_.size() - 1;
}

double Packing::share(std::size_t column) const {
    return place_[column] < 0 ? 0.0 : amount_[static_cast<std::size_t>(place_[column])];
}

double Packing::cost() const {
    double sum = 0.0;
    for (std::size_t r = 0; r < size_; ++r) {
        sum += basis_[r] < 0 ? 0.0 : cost_[static_cast<std::size_t>(basis_[r])] * amount_[r];
    }
    return sum;
}

bool Packing::solve() {
    auto const most = steps_ + 50 * static_cast<std::int64_t>(size_) + 2000;
    for (int column = entering(); column != none; column = entering()) {
        enter(column);
        if (steps_ > most) {
            return false;
        }
    }
    return true;
}

// One that helps, slacks among them; the largest int: none does. Most steps choose among the few that helped
// most when many were compared last, for that is nearly as good and much cheaper.
int Packing::entering() {
    auto best = best_of_likely();
    if (best == none) {
        compare();
        best = best_of_likely();
    }
    double least = best == none ? -tiny : reduced(static_cast<std::size_t>(best));
    for (std::size_t r = 0; r < size_; ++r) {
        if (worth_[r] < least) {
            least = worth_[r];
            best = slack_of(r);
        }
    }
    return best;
}

int Packing::best_of_likely() {
    int best = none;
    double least = -tiny;
    std::erase_if(likely_, [&](Likely const& one) {
        auto const helps = reduced(static_cast<std::size_t>(one.column));
        if (helps < least) {
            least = helps;
            best = one.column;
        }
        return helps > still_helps * one.helped;
    });
    compared_ += static_cast<std::int64_t>(likely_.size());
    return best;
}

void Packing::compare() {
    likely_.clear();
    auto const all = cost_.size();
    auto const at_once = compared_a_row * size_;
    auto look = at_once;
    for (std::size_t seen = 0; seen < all; ++seen) {
        if (seen == look) {
            if (!likely_.empty()) {
                break;
            }
            look += at_once;
        }
        ++compared_;
        looked_from_ = looked_from_ + 1 < all ? looked_from_ + 1 : 0;
        auto const helps = reduced(looked_from_);
        if (helps < -tiny && place_[looked_from_] < 0) {
            likely_.push_back({static_cast<int>(looked_from_), helps});
        }
    }
    auto const kept = std::min(likely_.size(), most_likely);
    std::partial_sort(likely_.begin(), likely_.begin() + static_cast<std::ptrdiff_t>(kept), likely_.end(),
                      [](Likely const& a, Likely const& b) { return a.helped < b.helped; });
    likely_.resize(kept);
}

void Packing::enter(int column) {
    ++steps_;
    std::fill(direction_.begin(), direction_.end(), 0.0);
    auto const along = [&](std::size_t k) {
        double const* const from = inverse_.data() + k * size_;
        for (std::size_t r = 0; r < size_; ++r) {
            direction_[r] += from[r];
        }
    };
    double helps = 0.0;
    if (column < 0) {
        along(row_of(column));
        helps = worth_[row_of(column)];
    } else {
        for (int const k : rows_of(static_cast<std::size_t>(column))) {
            along(static_cast<std::size_t>(k));
        }
        helps = reduced(static_cast<std::size_t>(column));
    }
    std::size_t out = size_;
    double step = std::numeric_limits<double>::max();
    for (std::size_t r = 0; r < size_; ++r) {
        if (direction_[r] > 1e-7) {
            double const here = std::max(0.0, amount_[r]) / direction_[r];
            if (here < step - 1e-12 || (here < step + 1e-12 && direction_[r] > direction_[out])) {
                step = std::min(step, here);
                out = r;
            }
        }
    }
    if (out == size_) {  // no row limits it: only rounding can say so, for every column fills a row
        invert();
        return;
    }
    for (std::size_t r = 0; r < size_; ++r) {
        amount_[r] -= step * direction_[r];
    }
    amount_[out] = step;
    turn(size_, inverse_.data(), direction_.data(), out, helps, worth_.data());
    if (basis_[out] >= 0) {
        place_[static_cast<std::size_t>(basis_[out])] = -1;
    }
    basis_[out] = column;
    if (column >= 0) {
        place_[static_cast<std::size_t>(column)] = static_cast<int>(out);
    }
    if (++since_inverted_ >= invert_every) {
        invert();
    }
}

// Anew by Gauss and Jordan, so that rounding does not add up.
void Packing::invert() {
    since_inverted_ = 0;
    std::vector<double> basis(size_ * size_, 0.0);  // column after column
    for (std::size_t c = 0; c < size_; ++c) {
        if (basis_[c] < 0) {
            basis[c * size_ + row_of(basis_[c])] = 1.0;
        } else {
            for (int const k : rows_of(static_cast<std::size_t>(basis_[c]))) {
                basis[c * size_ + static_cast<std::size_t>(k)] += 1.0;
            }
        }
    }
    // Each member of the basis enters a basis of slacks, in the row where it is largest.
    std::fill(inverse_.begin(), inverse_.end(), 0.0);
    for (std::size_t r = 0; r < size_; ++r) {
        inverse_[r * size_ + r] = 1.0;
    }
    std::vector<int> now(size_);
    std::vector<bool> filled(size_, false);
    std::vector<int> const members = basis_;
    for (std::size_t c = 0; c < size_; ++c) {
        std::fill(direction_.begin(), direction_.end(), 0.0);
        for (std::size_t k = 0; k < size_; ++k) {
            double const part = basis[c * size_ + k];
            if (part != 0.0) {
                double const* const from = inverse_.data() + k * size_;
                for (std::size_t r = 0; r < size_; ++r) {
                    direction_[r] += part * from[r];
                }
            }
        }
        std::size_t out = size_;
        for (std::size_t r = 0; r < size_; ++r) {
            if (!filled[r] && (out == size_ || std::abs(direction_[r]) > std::abs(direction_[out]))) {
                out = r;
            }
        }
        filled[out] = true;
        now[out] = members[c];
        for (std::size_t k = 0; k < size_; ++k) {
            double* const to = inverse_.data() + k * size_;
            double const share = to[out] / direction_[out];
            if (share != 0.0) {
                for (std::size_t r = 0; r < size_; ++r) {
                    to[r] -= share * direction_[r];
                }
                to[out] = share;
            }
        }
    }
    basis_ = std::move(now);
    std::fill(amount_.begin(), amount_.end(), 0.0);
    for (std::size_t k = 0; k < size_; ++k) {
        double const* const from = inverse_.data() + k * size_;
        double priced = 0.0;
        for (std::size_t r = 0; r < size_; ++r) {
            amount_[r] += from[r] * room_[k];
            priced += basis_[r] < 0 ? 0.0 : cost_[static_cast<std::size_t>(basis_[r])] * from[r];
        }
        worth_[k] = -priced;
    }
    for (std::size_t r = 0; r < size_; ++r) {
        if (basis_[r] >= 0) {
            place_[static_cast<std::size_t>(basis_[r])] = static_cast<int>(r);
        }
    }
}

}  // namespace probekeeper::rounds
