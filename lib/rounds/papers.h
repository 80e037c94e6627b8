// The round on paper and in other programs. Texts that users wrote are escaped for each; all text is to be
// UTF-8.
#pragma once

#include <functional>
#include <span>
#include <string>

#include "rounds/round.h"
#include "service/record.h"

namespace probekeeper::rounds {

struct HtmlSettings {
    // A chart of the probe as SVG, to be put in as it is; empty text or no function: none.
    std::function<std::string(std::string const& probe)> chart;
};

// HTML 5 that prints on A4 and keeps its meaning in black and white: a page a day and technician, then the
// form whose columns are those of the service CSV. No script and nothing loaded from elsewhere.
[[nodiscard]] std::string to_html(Round const& round, HtmlSettings const& settings);

// RFC 5545. An event a stop with an UID that a new plan keeps, so that calendars move it. `told`: what was
// published of the week, as it came, perhaps with `round` as the last. SEQUENCE counts how often an event
// changed its hours or its people since people were first told of it; one that is gone is sent as cancelled.
// What is not published is tentative. `stamp`: when it is made.
[[nodiscard]] std::string to_ics(Round const& round, Timestamp stamp, std::span<Round const> told = {});

// The service CSV with a row for each record that the week's work asks for. `time` is empty, and a row whose
// time stays empty is refused when the form comes back: nothing is taken for done that nobody dated.
[[nodiscard]] std::string to_csv(Round const& round);

// The kinds of record that a job's work asks for, in the order of work; at least one.
[[nodiscard]] std::vector<service::Work> records_of(RoundJob const& job);

// A content line folded at 75 octets, between characters, with CRLF at its end: RFC 5545, 3.1.
[[nodiscard]] std::string folded(std::string_view line);

}  // namespace probekeeper::rounds
