// Small symmetric positive-definite systems on the stack: what the fits need of linear algebra, and no more.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <optional>

namespace probekeeper::estimate {

template <std::size_t N>
using Vector = std::array<double, N>;
template <std::size_t N>
using Matrix = std::array<std::array<double, N>, N>;

// The lower triangle L with L Lt = `a`; only the lower triangle of `a` is read, and the upper one of the
// result is zero. Empty where a pivot falls to `smallest_pivot` or below, or is not a number: with `a` scaled
// to a unit diagonal that means that the parameters cannot be told apart.
template <std::size_t N>
[[nodiscard]] std::optional<Matrix<N>> cholesky(Matrix<N> const& a, double smallest_pivot = 1e-13) {
    Matrix<N> l{};
    for (std::size_t i = 0; i < N; ++i) {
        for (std::size_t j = 0; j <= i; ++j) {
            double sum = a[i][j];
            for (std::size_t k = 0; k < j; ++k) {
                sum -= l[i][k] * l[j][k];
            }
            if (i != j) {
                l[i][j] = sum / l[j][j];
            } else if (sum > smallest_pivot && std::isfinite(sum)) {
                l[i][i] = std::sqrt(sum);
            } else {
                return std::nullopt;
            }
        }
    }
    return l;
}

// x with L Lt x = b.
template <std::size_t N>
[[nodiscard]] Vector<N> cholesky_solve(Matrix<N> const& l, Vector<N> b) {
    for (std::size_t i = 0; i < N; ++i) {
        for (std::size_t k = 0; k < i; ++k) {
            b[i] -= l[i][k] * b[k];
        }
        b[i] /= l[i][i];
    }
    for (std::size_t i = N; i-- > 0;) {
        for (std::size_t k = i + 1; k < N; ++k) {
            b[i] -= l[k][i] * b[k];
        }
        b[i] /= l[i][i];
    }
    return b;
}

// The inverse of L Lt.
template <std::size_t N>
[[nodiscard]] Matrix<N> cholesky_inverse(Matrix<N> const& l) {
    Matrix<N> inverse{};
    for (std::size_t i = 0; i < N; ++i) {
        Vector<N> unit{};
        unit[i] = 1.0;
        inverse[i] = cholesky_solve(l, unit);  // symmetric, so a row is as good as a column
    }
    return inverse;
}

}  // namespace probekeeper::estimate
