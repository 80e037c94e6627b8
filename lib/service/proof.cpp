#include "service/proof.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

namespace probekeeper::service {
namespace {

using diagnosis::Condition;
using diagnosis::Diagnosis;
using diagnosis::Finding;
using diagnosis::Reason;

constexpr std::chrono::hours proof_wait{12};
constexpr std::chrono::hours failure_patience{24};
constexpr std::chrono::hours patience{72};

bool tested_since(Diagnosis const& now, Timestamp work) {
    return now.t90 && now.t90->at > work;
}

// The reason as it stood last before the work.
Finding const* last_of(Ticket const& ticket, Reason reason) {
    auto const found = std::find_if(ticket.reasons.rbegin(), ticket.reasons.rend(),
                                    [&](auto const& r) { return r.finding.reason == reason; });
    return found == ticket.reasons.rend() ? nullptr : &found->finding;
}

Finding const* standing(Diagnosis const& now, Finding const& finding) {
    auto const found = std::find_if(now.findings.begin(), now.findings.end(), [&](auto const& f) {
        return f.reason == finding.reason && f.raised_at == finding.raised_at;
    });
    return found == now.findings.end() ? nullptr : &*found;
}

// "; NAME 0.25 mg/L before, 0.02 mg/L after", where both are known.
template <typename Quantity>
std::string compared(Ticket const& ticket, Reason reason, std::optional<Quantity> const& after,
                     double Quantity::*value, std::string_view name, std::string_view format) {
    auto const* const before = last_of(ticket, reason);
    if (before == nullptr || !before->value || !after) {
        return {};
    }
    auto const figure = [&](double v) { return fmt::format(fmt::runtime(format), v); };
    return fmt::format("; {} {} before, {} after", name, figure(*before->value), figure((*after).*value));
}

// Whether a finding from before the work has stood too long after it.
bool outlasted(Finding const& finding, Diagnosis const& now, Timestamp work) {
    bool const failure = diagnosis::condition_of(finding.reason) == Condition::failure;
    bool const by_test = finding.reason != Reason::slow_response || tested_since(now, work);
    return finding.probability >= 0.5 && by_test && now.at >= work + (failure ? failure_patience : patience);
}

// The figures before and after, as far as both are known.
std::string figures(Ticket const& ticket, Diagnosis const& now) {
    auto const* const slow = last_of(ticket, Reason::slow_response);
    auto text = slow != nullptr && slow->value
                    ? fmt::format("{:.0f} s before, {:.0f} s after", *slow->value, now.t90->value_s)
                    : fmt::format("{:.0f} s", now.t90->value_s);
    if (now.t90->ratio) {
        text += fmt::format(", {:.1f} times its fresh value", *now.t90->ratio);
    }
    text += compared(ticket, Reason::background, now.background, &diagnosis::Background::value_mg_l,
                     "background", "{:.2f} mg/L");
    text += compared(ticket, Reason::fluctuation, now.fluctuation, &diagnosis::Fluctuation::value_mg_l,
                     "fluctuation", "{:.3f} mg/L");
    text +=
        compared(ticket, Reason::span_error, now.span, &diagnosis::Span::value_percent, "in air", "{:.1f} %");
    return text;
}

}  // namespace

std::optional<Timestamp> serviced_at(Ticket const& ticket) {
    std::optional<Timestamp> last;
    for (auto const& entry : ticket.history) {
        if (entry.state == State::serviced && entry.by != daemon_name) {
            last = std::max(last.value_or(entry.at), entry.at);  // records of a visit come in any order
        }
    }
    return last;
}

std::optional<std::string> restored(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket);
    bool const cleared = std::all_of(ticket.reasons.begin(), ticket.reasons.end(),
                                     [](auto const& r) { return r.cleared_at.has_value(); });
    if (!work || !cleared || now.at < *work + proof_wait || !tested_since(now, *work)) {
        return std::nullopt;
    }
    auto const* const slow = last_of(ticket, Reason::slow_response);
    if (slow != nullptr && slow->limit && now.t90->value_s > *slow->limit) {
        return std::nullopt;
    }
    return "response restored: T90 " + figures(ticket, now);
}

std::optional<std::string> still_wrong(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket);
    if (!work) {
        return std::nullopt;
    }
    std::string text;
    for (auto const& reason : ticket.reasons) {
        auto const* const finding = reason.cleared_at ? nullptr : standing(now, reason.finding);
        if (finding != nullptr && (finding->raised_at > *work || outlasted(*finding, now, *work))) {
            text += text.empty() ? "" : "; ";
            text += finding->text;
        }
    }
    return text.empty() ? std::nullopt : std::optional{text};
}

}  // namespace probekeeper::service
