// All probes of one site, in the order of their readings: what one probe cannot tell alone - neighbours, an
// outage of a line - and the passing of time.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>
#include <vector>

#include "diagnosis/probe.h"
#include "diagnosis/service_change.h"

namespace probekeeper::diagnosis {

// Changes whenever the same readings could give another result; a checkpoint of another version is not
// loaded.
inline constexpr int algorithm_version = 16;

// Where results go. `place` is the probe's place in SiteSetup::probes.
class Listener {
public:
    virtual ~Listener() = default;
    virtual void tested(std::size_t place, ResponseTest const& test) = 0;
    // Called where something changed, and about once an hour of reading time.
    virtual void weighed(std::size_t place, Diagnosis const& diagnosis) = 0;
    // In order of `known`, and told once.
    virtual void service_changed(std::size_t /*place*/, ServiceChange const& /*change*/) {}
};

class SiteDiagnosis {
public:
    explicit SiteDiagnosis(SiteSetup setup);

    // Readings come in order of (time, place).
    void take(std::size_t place, Reading const& reading, Listener& listener);
    // Comes in order of time with the readings.
    void handle(std::size_t place, Handling const& handling, Listener& listener);
    // Time has passed without a reading until `now`: silence counts. Readings up to `now` must have been
    // taken.
    void advance(Timestamp now, Listener& listener);
    // A probe that has never read was not there to be silent before `from`.
    void expect_from(std::size_t place, Timestamp from) {
        setup_.probes[place].expected_from_ms = to_unix_ms(from);
    }
    // The daemon itself was not there from `from` to `to`: no silence of a probe.
    void excuse(Timestamp from, Timestamp to);
    // When a probe is parked: in order and apart from each other, in place of what was said before. No part
    // of a checkpoint. What it changes behind now() takes effect only where diagnosis is made again from
    // there.
    void out_of_use(std::size_t place, std::vector<Absence> absences);

    [[nodiscard]] Diagnosis verdict(std::size_t place) const;
    [[nodiscard]] Condition condition(std::size_t place) const { return probes_[place].state.condition; }
    [[nodiscard]] Timestamp now() const { return from_unix_ms(now_ms_); }
    [[nodiscard]] SiteSetup const& setup() const { return setup_; }

    // The whole state as bytes, and back. A checkpoint of another algorithm or machine layout, or one that
    // is damaged, is refused (false, nothing changed); a probe that it does not know begins anew, one that is
    // gone is left out.
    [[nodiscard]] std::string checkpoint() const;
    [[nodiscard]] bool restore(std::string_view bytes);

private:
    struct Member {
        ProbeState state{};
        std::int64_t excused_until_ms = 0;
        std::uint32_t told = 0;  // reasons standing when last told
        std::int64_t told_hour = 0;
        Condition told_condition = Condition::unknown;
    };

    void weigh_all(std::int64_t at_ms, Listener& listener);
    void weigh_until(std::int64_t now_ms, Listener& listener);
    void excuse_outages(std::int64_t at_ms);
    void excuse_group(std::vector<std::size_t> const& group, std::int64_t at_ms);
    [[nodiscard]] std::int64_t fed_until() const;
    [[nodiscard]] std::int64_t heard_until(Member const& member, ProbeSetup const& setup) const;
    [[nodiscard]] bool silent(Member const& member, ProbeSetup const& setup, std::int64_t at_ms) const;
    void tell(std::size_t place, std::int64_t at_ms, Listener& listener);
    void follow_use(std::size_t place, std::int64_t at_ms, Listener& listener);
    // What `work` changes of the probe's service state is told, as known at `at_ms`.
    template <typename Work>
    void telling_service(std::size_t place, std::int64_t at_ms, Listener& listener, Work work);
    void swap(std::size_t place, Handling const& handling);
    void excuse_pause(std::int64_t at_ms);

    SiteSetup setup_;
    std::vector<Member> probes_;
    std::vector<std::vector<Absence>> absences_;  // of each probe
    struct Carried {
        Trend::Taken taken;
        std::int64_t at_ms = 0;
    };
    std::map<std::string, Carried> carried_;  // of instruments that left a position of this site, by serial
    std::vector<std::vector<std::size_t>> groups_;  // that can fall silent together: lines, and the site
    std::int64_t now_ms_ = 0;
    std::int64_t weighed_ms_ = 0;  // a multiple of the interval
    std::int64_t begun_ms_ = 0;
    std::int64_t fed_until_ms_ = 0;  // at the weighing under way
};

}  // namespace probekeeper::diagnosis
