// What the fuzzers share. Each is one file with one function, which libFuzzer calls with bytes of its making;
// what is called there is the program's own code.
#pragma once

#include <cstdio>
#include <cstdlib>
#include <span>
#include <string_view>

#include <fuzzer/FuzzedDataProvider.h>

namespace probekeeper::fuzz {

// Something that must hold whatever the input: where it does not, the input is kept as a finding.
inline void require(bool holds, char const* what) {
    if (!holds) {
        std::fprintf(stderr, "does not hold: %s\n", what);
        std::abort();
    }
}

inline std::string_view text_of(std::uint8_t const* data, std::size_t size) {
    return {reinterpret_cast<char const*>(data), size};
}

}  // namespace probekeeper::fuzz
