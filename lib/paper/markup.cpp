#include "paper/markup.h"

#include <algorithm>

namespace probekeeper::paper {

std::string spoken(std::string_view word) {
    std::string out{word};
    std::replace(out.begin(), out.end(), '_', ' ');
    return out;
}

}  // namespace probekeeper::paper
