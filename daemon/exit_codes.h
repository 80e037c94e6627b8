// What the program tells its caller.
#pragma once

namespace probekeeper::daemon {

inline constexpr int done = 0;
inline constexpr int failed = 1;  // the work failed
inline constexpr int wrong = 2;   // wrong usage or configuration

}  // namespace probekeeper::daemon
