// How a fault looks in the message of a failed check.
#pragma once

#include <catch2/catch.hpp>

#include "fieldbus/fault.h"

namespace Catch {

template <>
struct StringMaker<probekeeper::fieldbus::LinkError> {
    static std::string convert(probekeeper::fieldbus::LinkError const& error) {
        return std::string{to_word(error.fault)} + ", code " + std::to_string(error.code);
    }
};
template <>
struct StringMaker<probekeeper::fieldbus::Fault> {
    static std::string convert(probekeeper::fieldbus::Fault fault) { return std::string{to_word(fault)}; }
};

}  // namespace Catch
