// A checkpoint is, sealed by a checksum because its bytes become the state as they are: a header that says
// what wrote it, the site's own clock, for each probe its id and its bytes, and what instruments took along,
// by serial. It is read by the machine that wrote it; another layout or algorithm is refused and rebuilt.
#include <cstring>

#include "diagnosis/seal.h"
#include "diagnosis/site.h"

namespace probekeeper::diagnosis {
namespace {

struct Header {
    char magic[4] = {'P', 'K', 'C', '1'};
    std::int32_t algorithm = algorithm_version;
    std::uint64_t state_bytes = sizeof(ProbeState);
    std::uint64_t probes = 0, carried = 0;
    std::int64_t now_ms = 0, weighed_ms = 0, begun_ms = 0;
};

template <typename T>
void append(std::string& bytes, T const& value) {
    static_assert(std::is_trivially_copyable_v<T>);
    bytes.append(reinterpret_cast<char const*>(&value), sizeof value);
}

// Takes values off the front; fails, and stays failed, where too few bytes are left.
class Take {
public:
    explicit Take(std::string_view bytes) : bytes_{bytes} {}
    template <typename T>
    bool value(T& out) {
        static_assert(std::is_trivially_copyable_v<T>);
        if (bytes_.size() < sizeof out) {
            return false;
        }
        std::memcpy(static_cast<void*>(&out), bytes_.data(), sizeof out);
        bytes_.remove_prefix(sizeof out);
        return true;
    }
    bool text(std::string& out) {
        std::uint32_t size = 0;
        if (!value(size) || bytes_.size() < size) {
            return false;
        }
        out.assign(bytes_.substr(0, size));
        bytes_.remove_prefix(size);
        return true;
    }

private:
    std::string_view bytes_;
};

}  // namespace

std::string SiteDiagnosis::checkpoint() const {
    std::string bytes;
    bytes.reserve(sizeof(Header) + probes_.size() * (sizeof(Member) + 64));
    Header header;
    header.probes = probes_.size();
    header.carried = carried_.size();
    header.now_ms = now_ms_;
    header.weighed_ms = weighed_ms_;
    header.begun_ms = begun_ms_;
    append(bytes, header);
    for (std::size_t i = 0; i < probes_.size(); ++i) {
        auto const& id = setup_.probes[i].id;
        append(bytes, static_cast<std::uint32_t>(id.size()));
        bytes += id;
        append(bytes, probes_[i]);
    }
    for (auto const& [serial, carried] : carried_) {
        append(bytes, static_cast<std::uint32_t>(serial.size()));
        bytes += serial;
        append(bytes, carried);
    }
    return sealed(bytes);
}

bool SiteDiagnosis::restore(std::string_view bytes) {
    auto const whole = unsealed(bytes);
    if (!whole) {
        return false;
    }
    Take take{*whole};
    Header header, expected;
    if (!take.value(header) || std::memcmp(header.magic, expected.magic, sizeof header.magic) != 0 ||
        header.algorithm != expected.algorithm || header.state_bytes != expected.state_bytes) {
        return false;
    }
    std::vector<Member> members(probes_.size());
    for (auto& added : members) {
        added.excused_until_ms = header.now_ms;  // it was not there to be silent before
    }
    for (std::uint64_t i = 0; i < header.probes; ++i) {
        std::string id;
        Member member;
        if (!take.text(id) || !take.value(member)) {
            return false;
        }
        for (std::size_t place = 0; place < setup_.probes.size(); ++place) {
            if (setup_.probes[place].id == id) {
                members[place] = member;
            }
        }
    }
    std::map<std::string, Carried> carried;
    for (std::uint64_t i = 0; i < header.carried; ++i) {
        std::string serial;
        Carried one;
        if (!take.text(serial) || !take.value(one)) {
            return false;
        }
        carried.emplace(std::move(serial), one);
    }
    probes_ = std::move(members);
    carried_ = std::move(carried);
    now_ms_ = header.now_ms;
    weighed_ms_ = header.weighed_ms;
    begun_ms_ = header.begun_ms;
    return true;
}

}  // namespace probekeeper::diagnosis
