// A checkpoint: damaged ones are refused and change nothing; a whole one goes on as if there had been no
// restart, with whatever readings.
#include <bit>

#include "diagnosis/seal.h"
#include "diagnosis/site.h"
#include "document/diagnosis.h"
#include "document/write.h"
#include "fuzz/fuzz.h"

using namespace probekeeper;
using namespace probekeeper::diagnosis;

namespace {

SiteSetup setup() {
    SiteSetup site;
    site.id = "saltmarsh";
    for (auto const* id : {"tank-1", "tank-2"}) {
        ProbeSetup probe;
        probe.id = id;
        site.probes.push_back(probe);
    }
    site.probes[0].t90_s = 40.0;
    site.probes[0].neighbours = {1};
    site.probes[1].neighbours = {0};
    return site;
}

// Everything that is said, as text.
class Said final : public Listener {
public:
    void tested(std::size_t place, ResponseTest const& test) override {
        text += std::to_string(place) + document::write(document::to_json(test)) + "\n";
    }
    void weighed(std::size_t place, Diagnosis const& diagnosis) override {
        text += std::to_string(place) + document::write(document::to_json(diagnosis, "tank")) + "\n";
    }
    std::string text;
};

// One thing that happens; false at the end of the input. Times never go back.
class Happening {
public:
    explicit Happening(FuzzedDataProvider& input) : input_{input} {}
    bool next() {
        if (input_.remaining_bytes() == 0 || left_-- == 0) {
            return false;
        }
        constexpr std::int64_t hour_ms = 3'600'000;  // a step through time costs a weighing each five minutes
        ms_ += input_.ConsumeBool() ? 5000 : input_.ConsumeIntegralInRange<std::int64_t>(5000, hour_ms);
        what_ = input_.ConsumeIntegralInRange(0, 15);
        reading_ = Reading{};
        reading_.time = from_unix_ms(ms_);
        reading_.do_mg_l = value();
        reading_.do_percent = value();
        reading_.temperature_c = input_.ConsumeBool() ? 15.0 : value();
        reading_.known = reading_.marks = input_.ConsumeIntegral<std::uint8_t>() & 63;
        handling_ = Handling{};
        handling_.time = reading_.time;
        handling_.act = static_cast<Act>(input_.ConsumeIntegralInRange(0, static_cast<int>(Act::inspection)));
        handling_.air_percent = handling_.dry_zero_mg_l = reading_.do_mg_l;
        return true;
    }
    // The same to any site.
    void happen(SiteDiagnosis& site, Listener& listener) const {
        switch (what_) {
            case 0:
                return site.handle(0, handling_, listener);
            case 1:
                return site.advance(reading_.time, listener);
            default:
                return site.take(static_cast<std::size_t>(what_) % 2, reading_, listener);
        }
    }

private:
    double value() {
        switch (input_.ConsumeIntegralInRange(0, 3)) {
            case 0:
                return not_read;
            case 1:
                return input_.ConsumeIntegral<std::uint8_t>() * 0.05;
            case 2:
                return input_.ConsumeIntegral<std::int16_t>() * 0.01;
            default:
                return std::bit_cast<double>(input_.ConsumeIntegral<std::uint64_t>());
        }
    }
    FuzzedDataProvider& input_;
    int left_ = 60;
    std::int64_t ms_ = 1'772'323'200'000;  // 2026-03-01
    int what_ = 0;
    Reading reading_;
    Handling handling_;
};

void restart_within(FuzzedDataProvider& input) {
    auto const restart_after = input.ConsumeIntegralInRange<std::size_t>(0, 60);
    SiteDiagnosis through{setup()}, restarted{setup()};
    Said said, said_again;
    Happening happening{input};
    std::size_t happened = 0;
    while (happening.next()) {
        happening.happen(through, said);
        if (happened++ < restart_after) {
            if (happened == restart_after) {
                fuzz::require(restarted.restore(through.checkpoint()), "a whole checkpoint is taken");
                said_again.text = said.text;
            }
            continue;
        }
        happening.happen(restarted, said_again);
    }
    fuzz::require(happened <= restart_after || said.text == said_again.text,
                  "a restart changes nothing that is said");
}

void restore_any(std::string_view bytes) {
    SiteDiagnosis site{setup()};
    auto const before = site.checkpoint();
    if (!site.restore(bytes)) {
        fuzz::require(site.checkpoint() == before, "what is refused changes nothing");
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    FuzzedDataProvider input{data, size};
    switch (input.ConsumeIntegralInRange(0, 3)) {
        case 0:
            restore_any(input.ConsumeRemainingBytesAsString());
            return 0;
        case 1:
            restore_any(sealed(input.ConsumeRemainingBytesAsString()));
            return 0;
        default:
            restart_within(input);
            return 0;
    }
}
