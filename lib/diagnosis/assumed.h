// What is assumed of a probe and its water where nothing tells; errors are standard deviations of ln T90.
// Private to this room.
#pragma once

namespace probekeeper::diagnosis {

// How near a fresh probe comes to the T90 its configuration expects. A guess.
inline constexpr double nominal_error = 0.12;
// Of T90 at 20 degC without a temperature: 6 degC off at 3.5 % a degree. Between this week and another, 3
// degC.
inline constexpr double no_temperature_error = 0.2;
inline constexpr double no_temperature_change = 0.1;
// By the temperature of other waters of the site: 2 degC off.
inline constexpr double lent_temperature_error = 0.07;

// Of the water of a probe that gives no temperature, degC: a guess for a temperate climate.
inline constexpr double usual_temperature_c = 15.0;

// What water can be. Beyond it the thermometer is broken, and the oxygen may be right all the same. False for
// NaN.
inline constexpr bool plausible_temperature(double temperature_c) {
    return temperature_c > -3.0 && temperature_c < 50.0;
}

}  // namespace probekeeper::diagnosis
