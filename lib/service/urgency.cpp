#include "service/urgency.h"

#include <algorithm>

namespace probekeeper::service {
namespace {

using diagnosis::Condition;
using diagnosis::Finding;

Urgency urgency_for(Finding const& f, fleet::Use use) {
    if (use == fleet::Use::monitor) {
        return Urgency::next_visit;
    }
    switch (diagnosis::condition_of(f.reason)) {
        case Condition::failure:
            return Urgency::now;
        case Condition::unknown:  // verification_due: no limit was passed
        case Condition::good:
            return Urgency::next_visit;
        case Condition::maintenance_required:
        case Condition::out_of_specification:
        case Condition::function_check:
            break;
    }
    return f.due ? Urgency::next_visit : Urgency::this_week;
}

std::optional<Timestamp> due_for(Finding const& f, Urgency urgency) {
    switch (urgency) {
        case Urgency::now:
            return f.raised_at;
        case Urgency::this_week:
            return std::max(f.since.value_or(f.raised_at), f.raised_at) + days(7.0);
        case Urgency::next_visit:
            break;
    }
    return f.due;
}

}  // namespace

std::optional<Pressing> pressing(std::vector<TicketReason> const& reasons, fleet::Use use) {
    std::optional<Pressing> most;
    for (auto const& reason : reasons) {
        if (reason.cleared_at) {
            continue;
        }
        auto const urgency = urgency_for(reason.finding, use);
        auto const due = due_for(reason.finding, urgency);
        if (!most) {
            most = Pressing{urgency, due};
            continue;
        }
        most->urgency = std::min(most->urgency, urgency);  // the enum begins with the most urgent
        if (due && (!most->due || *due < *most->due)) {
            most->due = due;
        }
    }
    return most;
}

}  // namespace probekeeper::service
