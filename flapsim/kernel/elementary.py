"""Sine, cosine and decaying exponential as plain arithmetic.

The compiler of the strip kernel has no vector library for these functions: one call to the
mathematics library in the innermost loop stops it from working on several designs at once and
costs a factor of three to five. Polynomials do not. Their errors stand in the docstrings and
are tested.
"""

from __future__ import annotations

from flapsim.kernel.compiled import inlined
from flapsim.kernel.lanes import fused

# Adding and subtracting 1.5 * 2**52 rounds a double to the nearest whole number.
_ROUND = 6755399441055744.0
# Pi in three parts, the first two short enough that small whole multiples of them are exact
# (Cody & Waite 1980, Software Manual for the Elementary Functions).
_PI_HIGH = 3.1415925025939941406
_PI_MIDDLE = 1.5099578831720392707e-7
_PI_LOW = 1.0780605716316238106e-14


@inlined
def sine_cosine(x):
    """Sine and cosine of an angle, rad; error below 4e-16 for ``|x| < 100``.

    Reduced to half a turn, then the Taylor polynomials of degree 21 and 22, whose remainders are
    below 1e-17 there.
    """
    turns = (x * 0.3183098861837907 + _ROUND) - _ROUND
    y = ((x - turns * _PI_HIGH) - turns * _PI_MIDDLE) - turns * _PI_LOW
    odd = turns - 2.0 * ((turns * 0.5 + _ROUND) - _ROUND)
    sign = 1.0 - 2.0 * odd * odd
    z = y * y
    s = fused(-1.9572941063391263e-20, z, 8.22063524662433e-18)
    s = fused(s, z, -2.8114572543455206e-15)
    s = fused(s, z, 7.647163731819816e-13)
    s = fused(s, z, -1.6059043836821613e-10)
    s = fused(s, z, 2.505210838544172e-08)
    s = fused(s, z, -2.7557319223985893e-06)
    s = fused(s, z, 0.0001984126984126984)
    s = fused(s, z, -0.008333333333333333)
    s = fused(s, z, 0.16666666666666666)
    sine = y - y * z * s
    c = fused(8.896791392450574e-22, z, -4.110317623312165e-19)
    c = fused(c, z, 1.5619206968586225e-16)
    c = fused(c, z, -4.779477332387385e-14)
    c = fused(c, z, 1.1470745597729725e-11)
    c = fused(c, z, -2.08767569878681e-09)
    c = fused(c, z, 2.755731922398589e-07)
    c = fused(c, z, -2.48015873015873e-05)
    c = fused(c, z, 0.001388888888888889)
    c = fused(c, z, -0.041666666666666664)
    c = fused(c, z, 0.5)
    cosine = 1.0 - z * c
    return sign * sine, sign * cosine


@inlined
def decay(x):
    """``exp(-x)`` for ``x >= 0``.

    Thirty-second power of the Taylor polynomial of degree 10 at ``x/32``. Relative error below
    1e-14 for ``x < 5``; absolute error below 1e-13 everywhere (beyond 32 the value stays at
    ``exp(-32)``, 1e-14).
    """
    y = min(x, 32.0) * 0.03125
    p = fused(2.755731922398589e-07, y, -2.7557319223985893e-06)
    p = fused(p, y, 2.48015873015873e-05)
    p = fused(p, y, -0.0001984126984126984)
    p = fused(p, y, 0.001388888888888889)
    p = fused(p, y, -0.008333333333333333)
    p = fused(p, y, 0.041666666666666664)
    p = fused(p, y, -0.16666666666666666)
    p = fused(p, y, 0.5)
    p = fused(p, y, -1.0)
    p = fused(p, y, 1.0)
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    return p * p
