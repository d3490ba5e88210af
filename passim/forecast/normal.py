"""The normal distribution on arrays, without a statistics library at run time.

normal_cdf          the distribution function, to 1e-10
normal_nodes        points and weights that stand for a normal variable in a mean over it
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from passim.arrays import Floats

# Between knots h apart a cubic that meets value and slope at both errs by at most h**4 / 384 times the greatest fourth
# derivative (Hermite interpolation; Davis, "Interpolation and Approximation", 1963, theorem 3.5.1, recalled). That is
# 0.551 here, at 0.742, so 1/64 gives 8.6e-11. Past 8 the function is 1 to 7e-16.
_KNOTS_A_UNIT: Final = 64
_FAR: Final = 8.0


def _cubics() -> tuple[Floats, Floats, Floats, Floats]:
    """Return the coefficients, from the constant up, of the cubic of every cell between two knots."""
    knots = np.arange(-_FAR * _KNOTS_A_UNIT, _FAR * _KNOTS_A_UNIT + 1) / _KNOTS_A_UNIT
    value = np.array([0.5 * math.erfc(-x / math.sqrt(2.0)) for x in knots])
    slope = np.exp(-0.5 * knots**2) / math.sqrt(2.0 * math.pi) / _KNOTS_A_UNIT
    rise = np.diff(value)
    # One cell more, flat at 1, for the last knot itself.
    return (
        value,
        np.append(slope[:-1], 0.0),
        np.append(3.0 * rise - 2.0 * slope[:-1] - slope[1:], 0.0),
        np.append(slope[:-1] + slope[1:] - 2.0 * rise, 0.0),
    )


_C0, _C1, _C2, _C3 = _cubics()


def normal_cdf(x: Floats) -> Floats:
    """Return the chance that a standard normal variable is below `x`, in its shape, to 1e-10; infinities are fine."""
    place = (np.clip(x, -_FAR, _FAR) + _FAR) * _KNOTS_A_UNIT
    cell = place.astype(np.int32)
    place -= cell
    result = _C3[cell]
    for coefficient in (_C2, _C1, _C0):
        result *= place
        result += coefficient[cell]
    return result


def normal_nodes(ratio: float, most: int = 801) -> tuple[Floats, Floats]:
    """Return points z and weights, shape (nodes,) each, that stand for a standard normal variable.

    The mean over z of a product of distribution functions Phi(c + r z) with every |r| at most `ratio` comes out to
    about 1e-6. Small ratios take Gauss's points; larger ones equal steps over +-5.5, which for smooth functions err
    less than any power of the step (Trefethen & Weideman, SIAM Review 56, 2014, recalled), fine enough for the
    steepest. More than `most` nodes are never returned: beyond a ratio of about 35 the error is that of one step.
    """
    if ratio == 0.0:
        return np.zeros(1), np.ones(1)
    if ratio <= 0.5:
        z, weight = np.polynomial.hermite_e.hermegauss(3 if ratio <= 0.1 else 5 if ratio <= 0.25 else 9)
        return z, weight / weight.sum()
    steps = min(math.ceil(2 * 5.5 * max(1.5, 2.0 * ratio)), most - 1)
    z = np.linspace(-5.5, 5.5, steps + 1)
    weight = np.exp(-0.5 * z**2)
    return z, weight / weight.sum()
