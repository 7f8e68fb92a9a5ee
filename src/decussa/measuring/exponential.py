"""Exponentials and logarithms of many numbers at once: written for vector units.

exp(x) = 2^k exp(f) with a whole k and f within half of ln 2; the second factor by a polynomial through Chebyshev's nodes, right
to 2e-12 of the value. ln(x) = k ln 2 + ln(m) with m within a root of 2 of 1; the second term by the series of the inverse
hyperbolic tangent of (m - 1) / (m + 1), right to 1e-13. In single precision exp is as right as such a number of that size.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from decussa.measuring.compiled import fused

Array = NDArray[np.float64]

#: From here on down the exponential is taken for 0.
LEAST = -80.0
#: A number with this added is rounded, and the whole number stands in its lowest bits.
_ROUNDING = 1.5 * 2.0**52
_LN2 = math.log(2.0)
#: Bits of a root of a half; an exponent counts in steps of 2 to this power.
_ROOT = 0x3FE6A09E667F3BCD
_EXPONENT = 52


def _polynomial(degree: int) -> tuple[float, ...]:
    """Coefficients of exp within half of ln 2 of 0, constant first."""
    nodes = 0.5 * _LN2 * np.cos(math.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    return tuple(float(value) for value in np.polynomial.polynomial.polyfit(nodes, np.exp(nodes), degree))


_C0, _C1, _C2, _C3, _C4, _C5, _C6, _C7, _C8 = _polynomial(8)
#: The same for single precision.
_S0, _S1, _S2, _S3, _S4, _S5 = (np.float32(value) for value in _polynomial(5))
_LEAST_SINGLE, _ROUNDING_SINGLE = np.float32(LEAST), np.float32(1.5 * 2.0**23)
_LN2_SINGLE, _PER_LN2_SINGLE = np.float32(_LN2), np.float32(1.0 / _LN2)
_NOTHING = np.float32(0.0)
_EXPONENT_SINGLE = 23


def _reinterpret(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    return builder.bitcast(arguments[0], context.get_value_type(signature.return_type))


def _to_bits(_context: Any, _number: Any) -> Any:
    return types.int64(types.float64), _reinterpret


def _from_bits(_context: Any, _bits: Any) -> Any:
    return types.float64(types.int64), _reinterpret


def _to_single_bits(_context: Any, _number: Any) -> Any:
    return types.int32(types.float32), _reinterpret


def _from_single_bits(_context: Any, _bits: Any) -> Any:
    return types.float32(types.int32), _reinterpret


#: Bits of a number, and the number with these bits; the same in single precision.
bits_of: Callable[[float], int] = intrinsic(_to_bits)
number_of: Callable[[int], float] = intrinsic(_from_bits)
bits_of_single: Callable[[np.float32], np.int32] = intrinsic(_to_single_bits)
single_of: Callable[[np.int32], np.float32] = intrinsic(_from_single_bits)


@fused
def exponential(x: float) -> float:
    """exp(``x``) for a number below 700; 0 from ``LEAST`` down."""
    least = x if x > LEAST else LEAST
    turned = least * (1.0 / _LN2) + _ROUNDING
    f = least - (turned - _ROUNDING) * _LN2
    part = _C8 * f + _C7
    part = part * f + _C6
    part = part * f + _C5
    part = part * f + _C4
    part = part * f + _C3
    part = part * f + _C2
    part = part * f + _C1
    part = part * f + _C0
    value = number_of(bits_of(part) + (bits_of(turned) << _EXPONENT))
    return value if x > LEAST else 0.0


@fused
def exponential_single(x: np.float32) -> np.float32:
    """exp(``x``) in single precision for a number below 80; 0 from ``LEAST`` down."""
    least = x if x > _LEAST_SINGLE else _LEAST_SINGLE
    turned = least * _PER_LN2_SINGLE + _ROUNDING_SINGLE
    f = least - (turned - _ROUNDING_SINGLE) * _LN2_SINGLE
    part = _S5 * f + _S4
    part = part * f + _S3
    part = part * f + _S2
    part = part * f + _S1
    part = part * f + _S0
    value = single_of(np.int32(bits_of_single(part) + (bits_of_single(turned) << _EXPONENT_SINGLE)))
    return value if x > _LEAST_SINGLE else _NOTHING


@fused
def exponentials(logs: Array, out: Array) -> None:
    """Fill ``out`` with exp(``logs``) for logs below 700; the two are different arrays."""
    for k in range(logs.size):
        out[k] = exponential(logs[k])


@fused
def logarithms(values: Array, out: Array) -> None:
    """Fill ``out`` with the natural logarithms of numbers above 1e-300; the two are different arrays."""
    for k in range(values.size):
        bits = bits_of(values[k])
        whole = (bits - _ROOT) >> _EXPONENT
        m = number_of(bits - (whole << _EXPONENT))
        s = (m - 1.0) / (m + 1.0)
        q = s * s
        part = q * (1.0 / 15.0) + 1.0 / 13.0
        part = part * q + 1.0 / 11.0
        part = part * q + 1.0 / 9.0
        part = part * q + 1.0 / 7.0
        part = part * q + 1.0 / 5.0
        part = part * q + 1.0 / 3.0
        part = part * q + 1.0
        out[k] = np.float64(whole) * _LN2 + 2.0 * s * part
