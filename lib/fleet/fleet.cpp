#include "fleet/fleet.h"

#include <algorithm>
#include <string_view>

namespace probekeeper::fleet {
namespace {

// Both vectors are sorted by id.
template <typename Item>
std::optional<std::uint32_t> place_by_id(std::vector<Item> const& items, std::string_view id) {
    auto const at =
        std::lower_bound(items.begin(), items.end(), id,
                         [](Item const& item, std::string_view wanted) { return item.id < wanted; });
    if (at == items.end() || at->id != id) {
        return std::nullopt;
    }
    return static_cast<std::uint32_t>(at - items.begin());
}

}  // namespace

std::uint16_t Signal::width() const {
    bool const in_words = table == Table::input || table == Table::holding;
    bool const wide =
        type == RegisterType::uint32 || type == RegisterType::int32 || type == RegisterType::float32;
    return in_words && wide ? 2 : 1;
}

std::optional<ProbeIndex> Fleet::find_probe(std::string_view id) const {
    return place_by_id(probes, id);
}
std::optional<SiteIndex> Fleet::find_site(std::string_view id) const {
    return place_by_id(sites, id);
}

std::string_view to_word(SiteKind kind) {
    switch (kind) {
        case SiteKind::aquaculture:
            return "aquaculture";
        case SiteKind::wastewater:
            return "wastewater";
    }
    return {};
}

std::string_view to_word(Use use) {
    switch (use) {
        case Use::control:
            return "control";
        case Use::alarm:
            return "alarm";
        case Use::monitor:
            return "monitor";
    }
    return {};
}

}  // namespace probekeeper::fleet
