// Other people's equations for what lib/oxygen computes, kept here because no production code uses them.
#pragma once

#include <cmath>

namespace probekeeper::reference {

// Garcia and Gordon (1992), Limnol. Oceanogr. 37(6):1307-1312, Table 1, without the stray A3 Ts^2 term of the
// printed Eq. 8.
struct GarciaGordon {
    double a[6], b[4], c0;
    [[nodiscard]] double at(double t, double s) const {
        double const ts = std::log((298.15 - t) / (273.15 + t));
        double const fresh = a[0] + ts * (a[1] + ts * (a[2] + ts * (a[3] + ts * (a[4] + ts * a[5]))));
        double const salt = b[0] + ts * (b[1] + ts * (b[2] + ts * b[3]));
        return std::exp(fresh + s * (salt + c0 * s));
    }
};
inline constexpr GarciaGordon gg92_umol_kg{{5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369},
                                           {-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3},
                                           -2.75915e-7};
inline constexpr GarciaGordon gg92_ml_l{{2.00907, 3.22014, 4.05010, 4.94457, -0.256847, 3.88767},
                                        {-6.24523e-3, -7.37614e-3, -1.03410e-2, -8.17083e-3},
                                        -4.88682e-7};
inline constexpr double umol_per_ml = 44.6596;  // of oxygen at standard temperature and pressure
inline constexpr double mg_per_umol = 31.9988e-3;

// Weiss (1970), Deep-Sea Res. 17:721-735, mL/L.
[[nodiscard]] inline double weiss_ml_l(double t, double s) {
    double const h = (t + 273.15) / 100.0;
    return std::exp(-173.4292 + 249.6339 / h + 143.3483 * std::log(h) - 21.8492 * h +
                    s * (-0.033096 + 0.014259 * h - 0.0017000 * h * h));
}

// Vapour pressure in hPa. Weiss and Price (1980), Mar. Chem. 8:347-359.
[[nodiscard]] inline double weiss_price_hpa(double t, double s) {
    double const h = (t + 273.15) / 100.0;
    return 1013.25 * std::exp(24.4543 - 67.4509 / h - 4.8489 * std::log(h) - 0.000544 * s);
}

// Green and Carritt (1967), J. Mar. Res. 25:140-147, as Benson and Krause use it.
[[nodiscard]] inline double green_carritt_hpa(double t, double s) {
    double const r = 373.16 / (t + 273.15);
    return 1013.25 * (1.0 - 5.37e-4 * s) *
           std::exp(18.1973 * (1.0 - r) + 3.1813e-7 * (1.0 - std::exp(26.1205 * (1.0 - 1.0 / r))) -
                    0.018726 * (1.0 - std::exp(8.03945 * (1.0 - r))) + 5.02802 * std::log(r));
}

}  // namespace probekeeper::reference
