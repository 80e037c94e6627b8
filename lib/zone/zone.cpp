#include "zone/zone.h"

#include <absl/time/time.h>

namespace probekeeper::zone {

struct Zone::Rules {
    absl::TimeZone zone;
};

namespace {

using std::chrono::floor;
using Seconds = std::chrono::seconds;

absl::CivilSecond civil_of(std::chrono::local_seconds t) {
    return absl::CivilSecond{1970, 1, 1} + t.time_since_epoch().count();
}

}  // namespace

std::optional<Zone> Zone::find(std::string const& name) {
    auto rules = std::make_shared<Rules>();
    if (!absl::LoadTimeZone(name, &rules->zone)) {
        return std::nullopt;
    }
    return Zone{std::move(rules)};
}

Zone Zone::utc() {
    return Zone{std::make_shared<Rules>(Rules{absl::UTCTimeZone()})};
}

Seconds Zone::offset_at(Timestamp t) const {
    auto const info = rules_->zone.At(absl::FromUnixMillis(to_unix_ms(t)));
    return Seconds{info.offset};
}

LocalTime Zone::to_local(Timestamp t) const {
    return LocalTime{t.time_since_epoch() + offset_at(t)};
}

Timestamp Zone::to_utc(LocalTime t) const {
    auto const whole = floor<Seconds>(t);
    // `pre` is the instant by the offset before the change: the first of two, and the one counted on in a
    // gap.
    auto const info = rules_->zone.At(civil_of(whole));
    return from_unix_ms(absl::ToUnixMillis(info.pre)) + (t - whole);
}

Timestamp Zone::start_of(std::chrono::year_month_day day) const {
    auto const midnight = std::chrono::local_days{day};
    auto const info = rules_->zone.At(civil_of(std::chrono::local_seconds{midnight}));
    // Where clocks go forward over midnight, the day begins with the change.
    auto const first = info.kind == absl::TimeZone::TimeInfo::SKIPPED ? info.trans : info.pre;
    return from_unix_ms(absl::ToUnixMillis(first));
}

std::chrono::year_month_day Zone::day_of(Timestamp t) const {
    return std::chrono::year_month_day{floor<std::chrono::days>(to_local(t))};
}

std::string Zone::name() const {
    return rules_->zone.name();
}

}  // namespace probekeeper::zone
