#include "hub/estate.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "access/secret.h"
#include "fleet/files.h"

namespace probekeeper::hub {

namespace {

// One text, and nothing that it could include.
class OneFile final : public fleet::Files {
public:
    explicit OneFile(std::string const& text) : text_{text} {}
    [[nodiscard]] std::optional<std::string> text(std::filesystem::path const&) const override {
        return text_;
    }
    [[nodiscard]] std::vector<std::filesystem::path> matching(std::filesystem::path const&,
                                                              std::string const&) const override {
        return {};
    }

private:
    std::string const& text_;
};

template <typename T>
void sort_by_id(std::vector<T>& all) {
    std::stable_sort(all.begin(), all.end(), [](T const& a, T const& b) { return a.id < b.id; });
    all.erase(std::unique(all.begin(), all.end(), [](T const& a, T const& b) { return a.id == b.id; }),
              all.end());
}

}  // namespace

std::optional<fleet::Fleet> site_fleet_of(std::string const& toml) {
    return fleet::load("site.toml", OneFile{toml}).fleet;
}

fleet::Fleet joined(fleet::Fleet const& own, std::vector<fleet::Fleet const*> const& sites) {
    auto all = own;
    all.sites.clear();
    all.lines.clear();
    all.register_maps.clear();
    all.probes.clear();
    for (auto const* one : sites) {
        all.sites.insert(all.sites.end(), one->sites.begin(), one->sites.end());
    }
    sort_by_id(all.sites);
    struct Origin {
        std::string site;
        std::vector<std::string> neighbours;
    };
    std::map<std::string, Origin> origins;  // by probe
    for (auto const* one : sites) {
        for (auto const& probe : one->probes) {
            Origin origin{one->sites[probe.site].id, {}};
            for (auto const neighbour : probe.neighbours) {
                origin.neighbours.push_back(one->probes[neighbour].id);
            }
            if (origins.emplace(probe.id, std::move(origin)).second) {
                all.probes.push_back(probe);
                all.probes.back().line.reset();  // lines are the site's own affair
                all.probes.back().register_map.reset();
            }
        }
    }
    sort_by_id(all.probes);
    for (auto& probe : all.probes) {
        auto const& origin = origins.at(probe.id);
        probe.site = all.find_site(origin.site).value();
        probe.neighbours.clear();
        for (auto const& neighbour : origin.neighbours) {
            if (auto const index = all.find_probe(neighbour)) {
                probe.neighbours.push_back(*index);
            }
        }
    }
    return all;
}

Estate::Estate(fleet::Fleet own, std::shared_ptr<spdlog::logger> log)
    : log_{std::move(log)}, own_{std::move(own)} {}

void Estate::use(fleet::Fleet own) {
    std::scoped_lock const lock{mutex_};
    own_ = std::move(own);
    ++uses_;
    now_.reset();
}

void Estate::read_changed(postgres::Connection& connection, std::vector<std::string> const& changed) {
    auto const rows = connection.run(
        "SELECT site_id, configuration_md5, configuration FROM probekeeper.sites WHERE site_id = ANY($1)",
        {changed});
    for (std::size_t i = 0; i < rows.size(); ++i) {
        std::string const id{rows.text(i, 0)};
        auto& site = sites_[id];
        site.md5 = rows.text(i, 1);
        site.fleet = site_fleet_of(std::string{rows.text(i, 2)});
        if (!site.fleet || site.fleet->sites.size() != 1 || site.fleet->sites.front().id != id) {
            site.fleet.reset();
            log_->error("event=site_not_understood site={} why=\"its configuration is none of this version\"",
                        id);
        }
    }
}

std::shared_ptr<Estate::Now const> Estate::now(postgres::Connection& connection) {
    auto const told = connection.run(
        "SELECT site_id, configuration_md5 FROM probekeeper.sites WHERE configuration IS NOT NULL AND "
        "removed_at IS NULL ORDER BY site_id");
    std::scoped_lock const lock{mutex_};
    std::map<std::string, std::string> wanted;
    std::vector<std::string> changed;
    for (std::size_t i = 0; i < told.size(); ++i) {
        auto const [at, is_new] = wanted.emplace(told.text(i, 0), told.text(i, 1));
        auto const known = sites_.find(at->first);
        if (known == sites_.end() || known->second.md5 != at->second) {
            changed.push_back(at->first);
        }
    }
    auto const gone = std::erase_if(sites_, [&](auto const& site) { return !wanted.contains(site.first); });
    if (now_ && changed.empty() && gone == 0) {
        return now_;
    }
    constexpr std::size_t at_once = 200;  // not all texts of all sites at the same time
    for (std::size_t from = 0; from < changed.size(); from += at_once) {
        auto const until = std::min(from + at_once, changed.size());
        read_changed(connection, {changed.begin() + static_cast<std::ptrdiff_t>(from),
                                  changed.begin() + static_cast<std::ptrdiff_t>(until)});
    }
    std::vector<fleet::Fleet const*> fleets;
    auto versions = fmt::format("{} ", uses_);
    for (auto const& [id, site] : sites_) {
        versions += site.md5;
        if (site.fleet) {
            fleets.push_back(&*site.fleet);
        }
    }
    auto next = std::make_shared<Now>();
    next->fleet = std::make_shared<fleet::Fleet const>(joined(own_, fleets));
    next->version = access::hash_of(versions);
    auto const probes = connection.run(
        "SELECT DISTINCT ON (probe_id) probe_id, site_id FROM probekeeper.probes ORDER BY probe_id, site_id");
    for (std::size_t i = 0; i < probes.size(); ++i) {
        next->sites.emplace(probes.text(i, 0), probes.text(i, 1));
    }
    now_ = next;
    return now_;
}

}  // namespace probekeeper::hub
