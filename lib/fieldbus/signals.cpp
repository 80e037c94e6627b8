#include "fieldbus/signals.h"

#include <cassert>
#include <optional>

namespace probekeeper::fieldbus {

std::vector<NamedSignal> signals_of(fleet::RegisterMap const& map) {
    std::vector<NamedSignal> all{{SignalName::dissolved_oxygen, map.dissolved_oxygen}};
    auto const add = [&](SignalName name, std::optional<fleet::Signal> const& signal) {
        if (signal) {
            all.push_back({name, *signal});
        }
    };
    add(SignalName::temperature, map.temperature);
    add(SignalName::salinity, map.salinity);
    add(SignalName::pressure, map.pressure);
    add(SignalName::airflow, map.airflow);
    add(SignalName::cleaning, map.cleaning);
    add(SignalName::aeration, map.aeration);
    add(SignalName::hold, map.hold);
    add(SignalName::fault, map.fault);
    return all;
}

std::string_view to_word(SignalName name) {
    switch (name) {
        case SignalName::dissolved_oxygen:
            return "dissolved_oxygen";
        case SignalName::temperature:
            return "temperature";
        case SignalName::salinity:
            return "salinity";
        case SignalName::pressure:
            return "pressure";
        case SignalName::airflow:
            return "airflow";
        case SignalName::cleaning:
            return "cleaning";
        case SignalName::aeration:
            return "aeration";
        case SignalName::hold:
            return "hold";
        case SignalName::fault:
            return "fault";
    }
    return {};
}

std::string_view to_word(fleet::Table table) {
    switch (table) {
        case fleet::Table::coil:
            return "coil";
        case fleet::Table::discrete:
            return "discrete";
        case fleet::Table::input:
            return "input";
        case fleet::Table::holding:
            return "holding";
    }
    return {};
}

std::string_view to_word(fleet::Unit unit) {
    switch (unit) {
        case fleet::Unit::mg_per_l:
            return "mg/L";
        case fleet::Unit::percent_sat:
            return "%sat";
        case fleet::Unit::hpa:
            return "hPa";
        case fleet::Unit::kpa:
            return "kPa";
        case fleet::Unit::mmhg:
            return "mmHg";
        case fleet::Unit::deg_c:
            return "degC";
        case fleet::Unit::kelvin:
            return "K";
        case fleet::Unit::deg_f:
            return "degF";
        case fleet::Unit::psu:
            return "psu";
        case fleet::Unit::any:
            return "";
    }
    return {};
}

bool is_bit(SignalName name) {
    return name >= SignalName::cleaning;
}

Mark mark_of(SignalName name) {
    assert(is_bit(name));
    switch (name) {
        case SignalName::cleaning:
            return mark_cleaning;
        case SignalName::aeration:
            return mark_aeration;
        case SignalName::hold:
            return mark_hold;
        case SignalName::dissolved_oxygen:
        case SignalName::temperature:
        case SignalName::salinity:
        case SignalName::pressure:
        case SignalName::airflow:
        case SignalName::fault:
            break;
    }
    return mark_fault;
}

}  // namespace probekeeper::fieldbus
