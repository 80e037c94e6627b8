// What a SCADA system may send, and what it is answered: a stream of bytes, cut into frames and answered from
// the registers of a small estate.
#include "fuzz/fuzz.h"
#include "scada/layout.h"

using namespace probekeeper;

namespace {

scada::EstateNow estate() {
    scada::EstateNow now;
    now.sites = {{1, "north", 1, 0}, {48, "south", 0, 2}};
    for (std::int64_t const number : {1, 2, 601}) {  // the last is on another unit
        scada::ProbeNow probe;
        probe.number = number;
        probe.id = "tank-" + std::to_string(number);
        probe.t90_s = 41.5;
        probe.site = number == 1 ? 0 : 1;
        now.probes.push_back(probe);
    }
    now.probes[0].ticket = scada::ProbeNow::Ticket{};
    now.probes[0].ticket->number = 17;
    now.probes[1].last_reading = Reading{};
    return now;
}

std::vector<std::uint8_t> answered(std::span<std::uint8_t const> frame, scada::Image const& image) {
    auto const writing = scada::write_one_in(frame);
    if (!writing) {
        return scada::answer(frame, image);
    }
    bool const there = image.seen_register_of(writing->unit, writing->address).has_value();
    fuzz::require(!there || writing->address < image.registers(writing->unit).size(),
                  "what can be written lies within its unit");
    return scada::answer_write(frame,
                               there ? std::nullopt : std::optional{scada::Exception::illegal_data_address});
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    static scada::Image const image{estate(), 7};
    std::span<std::uint8_t const> left{data, size};
    auto next = scada::cut(left);
    for (; next.is == scada::Cut::Is::whole; next = scada::cut(left)) {
        fuzz::require(next.bytes > 0 && next.bytes <= scada::longest_frame && next.bytes <= left.size(),
                      "a frame lies within what came");
        auto const frame = left.first(next.bytes);
        fuzz::require(scada::cut(frame.first(frame.size() - 1)).is != scada::Cut::Is::whole,
                      "a frame is whole with its last byte, and not before");
        auto const reply = answered(frame, image);
        auto const back = scada::cut(reply);
        fuzz::require(back.is == scada::Cut::Is::whole && back.bytes == reply.size(),
                      "an answer is one whole frame");
        fuzz::require(reply[0] == frame[0] && reply[1] == frame[1] && reply[6] == frame[6],
                      "an answer has the transaction and the unit of its request");
        fuzz::require((reply[7] & 0x7F) == (frame[7] & 0x7F), "an answer has the function of its request");
        left = left.subspan(next.bytes);
    }
    return 0;
}
