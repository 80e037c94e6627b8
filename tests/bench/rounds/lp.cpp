#include "bench/rounds/lp.h"

#include <spdlog/fmt/fmt.h>

#include <map>

namespace probekeeper::rounds {
namespace {

// Nodes of a shift: its visits, and -1 for the depot at either end.
class Writer {
public:
    explicit Writer(Week const& week) : week_{week} {}

    std::string text() {
        for (std::size_t s = 0; s < week_.shifts.size(); ++s) {
            shift(static_cast<int>(s));
        }
        for (int v = 0; v < visits(); ++v) {
            visit(v);
        }
        return fmt::format("Minimize\n obj: {} + {} one\nSubject To\n{} fixed: one = 1\nBinaries\n{}\nEnd\n",
                           price_, unserved_, rows_, binaries_);
    }

private:
    int visits() const { return static_cast<int>(week_.visits.size()); }
    Visit const& at(int v) const { return week_.visits[static_cast<std::size_t>(v)]; }

    static std::string arc(int s, int from, int to) { return fmt::format("x_{}_{}_{}", s, from + 1, to + 1); }
    void row(std::string const& text) { rows_ += fmt::format(" r{}: {}\n", ++row_, text); }

    bool allowed(int s, int v) const {
        return fits(week_.shifts[static_cast<std::size_t>(s)], at(v), static_cast<std::size_t>(s));
    }

    void shift(int s) {
        auto const& day = week_.shifts[static_cast<std::size_t>(s)];
        std::string leave, busy;
        for (int i = -1; i < visits(); ++i) {
            for (int j = -1; j < visits(); ++j) {
                bool const same = i == j;
                bool const not_here = (i >= 0 && !allowed(s, i)) || (j >= 0 && !allowed(s, j));
                if (same || not_here || (i >= 0 && j >= 0 && at(i).rank > at(j).rank)) {
                    continue;
                }
                add_arc(s, i, j, day, busy);
                leave += i < 0 ? " + " + arc(s, i, j) : "";
            }
        }
        if (!leave.empty()) {
            row(leave + " <= 1");
            row(fmt::format("{} <= {}", busy, day.longest));
        }
    }

    void add_arc(int s, int i, int j, Shift const& day, std::string& busy) {
        constexpr int big = 1'000'000;
        auto const name = arc(s, i, j);
        int const from = i < 0 ? day.start : at(i).place;
        int const to = j < 0 ? day.end : at(j).place;
        auto const way = week_.way(from, to);
        auto const late = j < 0 || at(j).in_shift.empty() ? 0 : at(j).in_shift[static_cast<std::size_t>(s)];
        auto const saved = j < 0 ? 0 : at(j).unserved;
        price_ += fmt::format(" {:+} {}\n", day.per_drive * way + late - saved, name);
        busy += fmt::format(" + {} {}", way + (j < 0 ? 0 : at(j).work), name);
        binaries_ += name + "\n";
        if (i >= 0) {
            out_[{s, i}] += " - " + name;
        }
        if (j >= 0) {
            in_[{s, j}] += " + " + name;
        }
        if (i < 0) {
            row(fmt::format("t{} - {} {} >= {}", j, day.open + way + big, name, -big));
        } else if (j < 0) {
            row(fmt::format("t{} + {} {} <= {}", i, big, name, big + day.close - way - at(i).work));
        } else {
            row(fmt::format("t{} - t{} - {} {} >= {}", j, i, at(i).work + way + big, name, -big));
        }
    }

    void visit(int v) {
        constexpr int big = 1'000'000;
        std::string made;
        for (auto const& [key, text] : in_) {
            if (key.second == v) {
                made += text;
                row(text + out_[key] + " = 0");
            }
        }
        unserved_ += at(v).unserved;
        if (made.empty()) {
            return;
        }
        row(made + " <= 1");
        std::string windows = made;
        for (std::size_t w = 0; w < at(v).windows.size(); ++w) {
            auto const name = fmt::format("w_{}_{}", v, w);
            auto const& window = at(v).windows[w];
            binaries_ += name + "\n";
            windows += " - " + name;
            row(fmt::format("t{} - {} {} >= 0", v, window.open, name));
            row(fmt::format("t{} + {} {} <= {}", v, big, name, big + window.close - at(v).work));
        }
        row(windows + " = 0");
    }

    Week const& week_;
    std::string price_, rows_, binaries_;
    std::map<std::pair<int, int>, std::string> in_, out_;  // by shift and visit
    Price unserved_ = 0;
    int row_ = 0;
};

}  // namespace

std::string lp_of(Week const& week) {
    return Writer{week}.text();
}

}  // namespace probekeeper::rounds
