// The sentences of a work plan: for the operator until somebody comes, and for whoever comes.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>

#include "service/work_plan.h"

namespace probekeeper::service {
namespace {

using diagnosis::Condition;
using diagnosis::Finding;
using diagnosis::Reason;

// After a step a probe needs about five of its T90 until a controller that acts again sees what its last
// action did: the rest of the step is then below the noise.
constexpr double t90s_between_actions = 5.0;

std::string slow_advice(Finding const& f) {
    if (!f.value) {
        return "Readings settle right but late: act on them slowly.";
    }
    auto const minutes = static_cast<int>(std::ceil(t90s_between_actions * *f.value / 60.0));
    return fmt::format("Readings settle right but late: control no faster than every {} on them.",
                       minutes <= 1 ? "minute" : fmt::format("{} minutes", minutes));
}

std::string background_advice(Finding const& f) {
    return f.value ? fmt::format("Low readings are too high by about {:.2f} mg/L.", *f.value)
                   : "Low readings are too high.";
}

// `off`: how far, with its sign.
std::string offset_advice(double off, std::string_view unit, int decimals) {
    return fmt::format("Readings are about {:.{}f} {} too {}.", std::abs(off), decimals, unit,
                       off < 0.0 ? "low" : "high");
}

std::string advice(Finding const& f) {
    switch (f.reason) {
        case Reason::slow_response:
            return slow_advice(f);
        case Reason::background:
            return background_advice(f);
        case Reason::fluctuation:
            return "Act on the mean of some minutes, not on single readings.";
        case Reason::span_error:
            return f.value ? offset_advice(*f.value - 100.0, "%", 1)
                           : "Readings are wrong by a constant factor.";
        case Reason::reference_disagreement:
            return f.value ? offset_advice(*f.value, "mg/L", 2)
                           : "Readings disagree with a reference: compare before acting.";
        case Reason::temperature_fault:
            return "The temperature that corrects this reading is wrong: compare with a portable meter "
                   "before "
                   "acting on it.";
        case Reason::no_signal:
        case Reason::membrane_damage:
        case Reason::stuck:
        case Reason::no_communication:
            return "Do not control on this probe and do not trust its alarm: use a neighbour in the same "
                   "water or "
                   "a portable meter.";
        case Reason::not_settled:
            return "The reading is not at rest after service: do not act on it yet.";
        case Reason::cleaning_failed:
            return "Nothing cleans the membrane now: expect readings to come later and, when it is thickly "
                   "covered, too low.";
        case Reason::verification_due:
            return "Nothing has tested this probe lately: compare it with a portable meter before relying on "
                   "it.";
    }
    return {};
}

}  // namespace

std::string meanwhile_for(std::span<Finding const> findings) {
    for (auto const& f : findings) {
        if (diagnosis::condition_of(f.reason) == Condition::failure) {
            return advice(f);
        }
    }
    std::string text;
    for (auto const& f : findings) {
        text += text.empty() ? "" : " ";
        text += advice(f);
    }
    return text;
}

std::vector<std::string> cautions_for(ProbeFacts const& probe, bool opens_probe, bool electrical) {
    std::vector<std::string> all;
    if (probe.use == fleet::Use::control) {
        all.emplace_back(
            "Put the aeration that follows this probe into manual before lifting it, and back afterwards.");
    } else if (probe.use == fleet::Use::alarm) {
        all.emplace_back(
            "Tell whoever answers this probe's alarm before lifting it, and watch the water by other means.");
    }
    if (opens_probe) {
        all.emplace_back(
            "Take the electrolyte for alkaline and corrosive unless its safety data sheet says "
            "otherwise: gloves and eye protection; rinse skin or eyes with plenty of water at once.");
    }
    if (electrical) {
        all.emplace_back("Supply and panel: isolated, locked and proved dead, by people licensed for it.");
    }
    all.emplace_back("Isolate and lock blowers, aerators and cleaning air or water before reaching in.");
    all.emplace_back(
        "Aerated water carries a swimmer badly: harness or life line and life jacket at the edge, "
        "and never alone.");
    if (probe.site_kind == fleet::SiteKind::wastewater) {
        all.emplace_back(
            "Pits, channels and covered tanks may be confined spaces with hydrogen sulphide or too "
            "little oxygen: entry only under the site's permit, after an air test by a qualified "
            "person. A reading of oxygen in water says nothing about the air.");
        all.emplace_back("Wastewater infects: gloves, cover cuts, wash before eating or touching the face.");
    } else {
        all.emplace_back(
            "Clean and disinfect hands, tools and probe between tanks, as the site's biosecurity "
            "asks.");
    }
    all.emplace_back(
        "The site's procedures, local codes and licensed practice come before this list; this "
        "ticket is no life-support or safety alarm.");
    return all;
}

}  // namespace probekeeper::service
