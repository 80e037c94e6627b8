// What a device answers: the protocol data unit of each planned block, unpacked and decoded by a register map
// of the input's making, then completed to a reading.
#include <cmath>

#include "fieldbus/answer.h"
#include "fieldbus/decode.h"
#include "fieldbus/plan.h"
#include "fuzz/fuzz.h"
#include "intake/complete.h"

using namespace probekeeper;

namespace {

constexpr double widest = 1e9;  // of scale and offset, as the configuration allows them

// As fleet/read_register_map.cpp lets a signal be.
fleet::Signal signal_of(FuzzedDataProvider& input, bool is_bit, fleet::Unit unit) {
    fleet::Signal signal;
    signal.table = is_bit ? input.PickValueInArray({fleet::Table::coil, fleet::Table::discrete,
                                                    fleet::Table::input, fleet::Table::holding})
                          : input.PickValueInArray({fleet::Table::input, fleet::Table::holding});
    signal.type = is_bit ? input.PickValueInArray({fleet::RegisterType::uint16, fleet::RegisterType::int16})
                         : input.PickValueInArray({fleet::RegisterType::uint16, fleet::RegisterType::int16,
                                                   fleet::RegisterType::uint32, fleet::RegisterType::int32,
                                                   fleet::RegisterType::float32});
    if (signal.width() == 2) {
        signal.order = input.PickValueInArray(
            {fleet::WordOrder::abcd, fleet::WordOrder::cdab, fleet::WordOrder::badc, fleet::WordOrder::dcba});
    }
    // Mostly near each other, so that blocks are shared.
    auto const last = 65'536 - signal.width();
    signal.address = static_cast<std::uint16_t>(input.ConsumeBool() ? input.ConsumeIntegralInRange(0, 150)
                                                                    : input.ConsumeIntegralInRange(0, last));
    if (is_bit) {
        bool const in_words = signal.table == fleet::Table::input || signal.table == fleet::Table::holding;
        if (in_words && input.ConsumeBool()) {
            signal.bit = input.ConsumeIntegralInRange<std::uint8_t>(0, 15);
        }
        return signal;
    }
    signal.unit = unit;
    if (input.ConsumeBool()) {
        signal.scale = input.ConsumeFloatingPointInRange(-widest, widest);
        signal.offset = input.ConsumeFloatingPointInRange(-widest, widest);
    }
    return signal;
}

fleet::RegisterMap map_of(FuzzedDataProvider& input) {
    fleet::RegisterMap map;
    auto const number = [&](std::optional<fleet::Signal>& signal, std::initializer_list<fleet::Unit> units) {
        if (input.ConsumeBool()) {
            signal =
                signal_of(input, /*is_bit=*/false,
                          *(units.begin() + input.ConsumeIntegralInRange<std::size_t>(0, units.size() - 1)));
        }
    };
    map.dissolved_oxygen = signal_of(
        input, /*is_bit=*/false,
        input.PickValueInArray({fleet::Unit::mg_per_l, fleet::Unit::percent_sat, fleet::Unit::hpa}));
    number(map.temperature, {fleet::Unit::deg_c, fleet::Unit::kelvin, fleet::Unit::deg_f});
    number(map.salinity, {fleet::Unit::psu});
    number(map.pressure, {fleet::Unit::hpa, fleet::Unit::kpa, fleet::Unit::mmhg});
    number(map.airflow, {fleet::Unit::any});
    for (auto* signal : {&map.cleaning, &map.aeration, &map.hold, &map.fault}) {
        if (input.ConsumeBool()) {
            *signal = signal_of(input, /*is_bit=*/true, fleet::Unit::any);
        }
    }
    return map;
}

// An answer with a right head and the input's data, or of any bytes.
std::vector<std::uint8_t> pdu_of(FuzzedDataProvider& input, fieldbus::Block const& block) {
    if (input.ConsumeBool()) {
        auto pdu = input.ConsumeBytes<std::uint8_t>(input.ConsumeIntegralInRange<std::size_t>(2, 260));
        pdu.resize(std::max<std::size_t>(pdu.size(), 2));
        return pdu;
    }
    auto const size = fieldbus::answer_pdu_bytes(block);
    auto const data = input.ConsumeBytes<std::uint8_t>(std::min<std::size_t>(size - 2, 32));
    std::vector<std::uint8_t> pdu(size);
    pdu[0] = fieldbus::request_pdu(block)[0];
    pdu[1] = static_cast<std::uint8_t>(size - 2);
    for (std::size_t i = 2; i < size && !data.empty(); ++i) {
        pdu[i] = data[(i - 2) % data.size()];
    }
    return pdu;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    FuzzedDataProvider input{data, size};
    auto const map = map_of(input);
    auto const costs =
        input.ConsumeBool() ? fieldbus::CostModel{20.0, 2.0, 0.125} : fieldbus::CostModel{32.0, 1.0, 0.0625};
    std::vector<fieldbus::BlockData> blocks;
    for (auto const& block : fieldbus::plan(map, costs)) {
        bool const of_bits = block.table == fleet::Table::coil || block.table == fleet::Table::discrete;
        fuzz::require(block.count >= 1 &&
                          block.count <= (of_bits ? fieldbus::bits_per_read : fieldbus::registers_per_read),
                      "a block fits into one answer");
        fuzz::require(block.first + block.count <= 65'536, "a block ends within the table");
        std::vector<std::uint16_t> words;
        if (fieldbus::unpack_answer(block, pdu_of(input, block), words)) {
            fuzz::require(words.size() == block.count, "an answer has what was asked for");
            blocks.push_back({block, words});
        }
    }
    auto decoded = fieldbus::decode(map, blocks);
    for (auto const value : {decoded.reading.do_mg_l, decoded.reading.do_percent, decoded.reading.po2_hpa,
                             decoded.reading.temperature_c, decoded.reading.pressure_hpa}) {
        fuzz::require(!std::isinf(value), "what is not finite is a fault and no value");
    }
    intake::complete(decoded.reading, intake::Place{});
    return 0;
}
