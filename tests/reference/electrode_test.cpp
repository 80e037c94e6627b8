// lib/electrode against published and independently computed curves. Sources stand in the files of data/.
#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

#include "electrode/film.h"
#include "electrode/first_order.h"
#include "electrode/membrane.h"
#include "electrode/temperature.h"
#include "reference/table.h"

using namespace probekeeper::electrode;
using namespace probekeeper::reference;

TEST_CASE("the membrane's curve agrees with the table computed in 30 digits") {
    for (auto const& row : rows_of("membrane-step-response.csv")) {
        CAPTURE(row[0]);
        CHECK(membrane_response(row[0]) == Approx(row[1]).margin(5.1e-11).epsilon(0));
    }
}

TEST_CASE("the membrane shows each level when the table says") {
    // Crank, The Mathematics of Diffusion; both series evaluated to 30 digits.
    auto const [level, x] = GENERATE(
        std::pair{0.01, 0.03941504}, std::pair{0.05, 0.05471242}, std::pair{0.10, 0.06610982},
        std::pair{0.20, 0.08425531}, std::pair{0.50, 0.13878530}, std::pair{0.63, 0.17031322},
        std::pair{0.632120558828557678, 0.17090706}, std::pair{0.80, 0.23319897}, std::pair{0.90, 0.30351847},
        std::pair{0.95, 0.37376005}, std::pair{0.98, 0.46660119}, std::pair{0.99, 0.53683177});
    CAPTURE(level);
    CHECK(membrane_time(level) == Approx(x).margin(5.1e-9).epsilon(0));
}

TEST_CASE("the membrane's published ratios and times in seconds hold") {
    CHECK(membrane_x90 / membrane_x63 == Approx(1.775927).margin(5.1e-7).epsilon(0));
    CHECK(membrane_x95 / membrane_x63 == Approx(2.186920).margin(5.1e-7).epsilon(0));
    CHECK(membrane_x95 / membrane_x90 == Approx(1.231424).margin(5.1e-7).epsilon(0));
    CHECK((membrane_x90 - membrane_x10) / membrane_x63 == Approx(1.389110).margin(5.1e-7).epsilon(0));
    CHECK(membrane_tail == Approx(0.101321).margin(5.1e-7).epsilon(0));
    CHECK(membrane_t90_s(25e-6, 2e-11) == Approx(9.485).margin(5.1e-4).epsilon(0));
    CHECK(membrane_t90_s(50e-6, 2e-11) == Approx(4.0 * membrane_t90_s(25e-6, 2e-11)));
}

TEST_CASE("membrane and film together answer as the simulated ones do") {
    for (auto const& row : rows_of("membrane-film-times.csv")) {
        bool const no_film = row[0] == 0.0;
        Layer const film{row[0], no_film ? 1.0 : row[1], no_film ? 1.0 : row[2]};
        FilmResponse const response{film, {1.0, 1.0, 1.0}};
        CAPTURE(row[0], row[1], row[2]);
        CHECK(response.steady() == Approx(row[3]).margin(5.1e-7).epsilon(0));
        CHECK(response.tail_rate() == Approx(row[4]).margin(5.1e-7).epsilon(0));
        CHECK(response.time(0.10) == Approx(row[5]).margin(5.1e-6).epsilon(0));
        CHECK(response.time(0.50) == Approx(row[6]).margin(5.1e-6).epsilon(0));
        CHECK(response.time(-std::expm1(-1.0)) == Approx(row[7]).margin(5.1e-7).epsilon(0));
        CHECK(response.time(0.90) == Approx(row[8]).margin(5.1e-7).epsilon(0));
        CHECK(response.time(0.95) == Approx(row[9]).margin(5.1e-7).epsilon(0));
        CHECK(response.mean_time() == Approx(row[10]).margin(5.1e-7).epsilon(0));
    }
}

TEST_CASE("permeability follows temperature as the Arrhenius table says") {
    double const at[] = {0.0, 10.0, 20.0, 25.0, 30.0};
    for (auto const& row : rows_of("arrhenius.csv")) {
        double const energy = 1000.0 * row[0];
        CAPTURE(energy);
        for (std::size_t i = 0; i < std::size(at); ++i) {
            CHECK(100.0 * arrhenius_per_kelvin(at[i], energy) ==
                  Approx(row[i + 1]).margin(5.1e-5).epsilon(0));
        }
        CHECK(arrhenius_factor(30.0, 10.0, energy) == Approx(row[6]).margin(5.1e-5).epsilon(0));
        CHECK(arrhenius_factor(20.0, 25.0, energy) == Approx(row[7]).margin(5.1e-6).epsilon(0));
    }
}

TEST_CASE("a first-order lag shows each level when the table says") {
    // y = 1 - exp(-t/tau), in units of tau; nine decimals.
    auto const [level, t] =
        GENERATE(std::pair{0.10, 0.105360516}, std::pair{0.20, 0.223143551}, std::pair{0.50, 0.693147181},
                 std::pair{0.63, 0.994252273}, std::pair{0.80, 1.609437912}, std::pair{0.90, 2.302585093},
                 std::pair{0.95, 2.995732274}, std::pair{0.98, 3.912023005}, std::pair{0.99, 4.605170186});
    CHECK(first_order_time(level, 1.0) == Approx(t).margin(5.1e-10).epsilon(0));
    CHECK(first_order_response(t, 1.0) == Approx(level).margin(5.1e-10).epsilon(0));
}

TEST_CASE("a first-order lag weakens and delays a sine as the table says") {
    for (auto const& row : rows_of("first-order-sine.csv")) {
        auto const sine = first_order_sine(row[1], row[0]);
        CHECK(sine.gain == Approx(row[2]).margin(5.1e-7).epsilon(0));
        CHECK(sine.lag == Approx(row[3]).margin(5.1e-5).epsilon(0));
        CHECK(360.0 * sine.lag / row[1] == Approx(row[4]).margin(5.1e-5).epsilon(0));
    }
    // The coefficient of a discrete filter is the response after one interval: (dt, tau) = (1, 20), (5, 20),
    // (10, 20).
    CHECK(first_order_response(1.0, 20.0) == Approx(0.048770575).margin(5.1e-10).epsilon(0));
    CHECK(first_order_response(5.0, 20.0) == Approx(0.221199217).margin(5.1e-10).epsilon(0));
    CHECK(first_order_response(10.0, 20.0) == Approx(0.393469340).margin(5.1e-10).epsilon(0));
}
