// How far a probe reads from its neighbours in the same water. Alone that tells nothing: either may be wrong,
// and water differs from place to place. But who agreed with them before its membrane was changed, and does
// not after, was left reading wrong.
#pragma once

#include <cstdint>
#include <optional>

namespace probekeeper::diagnosis {

class ApartWatch {
public:
    // At a weighing: ln of its reading over theirs, both in the water and at rest. `theirs_set_ms`: when what
    // any of them reads was last set anew by a person.
    void take(std::int64_t now_ms, double ln_ratio, std::int64_t theirs_set_ms);
    // A person set anew what it reads: with another membrane, or by calibration alone.
    void set_anew(std::int64_t at_ms, bool membrane);
    [[nodiscard]] std::int64_t set_ms() const { return set_ms_; }

    struct Apart {
        double part = 0.0, error = 0.0;  // what it reads beyond theirs, as a part of it; standard deviation
    };
    // Since its membrane was changed, of one that agreed with them before; empty until a day has told.
    [[nodiscard]] std::optional<Apart> since_service() const;

private:
    void begin(std::int64_t at_ms);

    std::int64_t set_ms_ = 0;
    std::int64_t begun_ms_ = 0;           // since when nobody has set anything anew
    float level_ = 0.0F, spread_ = 0.0F;  // of the newest day, or of the first one after a service
    std::uint32_t count_ = 0;
    bool agreed_ = false;  // before the service, which is being judged
};

}  // namespace probekeeper::diagnosis
