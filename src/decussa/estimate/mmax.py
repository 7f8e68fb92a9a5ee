"""The largest M-wave: has the nerve been stimulated supramaximally, and how large is the response then?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from decussa.estimate.average import Values, arithmetic_mean, finite_values
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

#: Growth over the last three steps of current below which the M-wave is on its plateau (common practice, no source).
PLATEAU_GROWTH = 0.05
#: Current, as a multiple of the start of the plateau, from which a response is supramaximal (common practice, no source).
SUPRAMAXIMAL = 1.2
#: Fewest supramaximal responses that are averaged (common practice, no source).
FEWEST_SUPRAMAXIMAL = 3


def maximal_m_wave(current_ma: ArrayLike, amplitude_uv: ArrayLike) -> Estimate:
    """Return Mmax.

    The plateau is reached when the mean response grows by less than 5 % over the last three steps of rising current.
    Mmax is the mean of the responses at 120 % or more of the current at which the plateau starts, if there are three
    or more; where there is a single current with three or more responses, their mean; else the largest response.

    Parameters
    ----------
    current_ma : array-like, shape (n,), mA
        NaN: not known.
    amplitude_uv : array-like, shape (n,), microvolt, 0 or more

    Returns
    -------
    Estimate in microvolt. ``reason`` says where the plateau was not shown: Mmax may then be larger, and the largest
    response stands without interval. NaN with a reason for no response.

    Raises
    ------
    UsageError
        If an amplitude is negative or not finite, or the two differ in length.
    """
    sizes = finite_values(amplitude_uv, name="amplitude_uv", least=0.0)
    currents = np.atleast_1d(np.asarray(current_ma, dtype=np.float64)).ravel()
    if currents.size != sizes.size:
        raise UsageError(
            "currents and responses do not fit", expected=f"{sizes.size} currents", found=f"{currents.size}"
        )
    if sizes.size == 0:
        return Estimate(method="Mmax", reason="no M-wave")
    levels = np.unique(currents[np.isfinite(currents)])
    if levels.size <= 1:
        return _of_one_current(sizes, levels)
    start_ma = _plateau_start_ma(currents, sizes, levels)
    supramaximal = sizes[currents >= SUPRAMAXIMAL * start_ma - 1e-9] if math.isfinite(start_ma) else sizes[:0]
    if supramaximal.size >= FEWEST_SUPRAMAXIMAL:
        averaged = arithmetic_mean(supramaximal)
        method = f"Mmax: mean of {supramaximal.size} responses at {SUPRAMAXIMAL * start_ma:.3g} mA or more, Student's t interval"
        return Estimate(value=averaged.value, low=averaged.low, high=averaged.high, n=averaged.n, method=method)
    reason = (
        f"plateau from {start_ma:.3g} mA, but fewer than {FEWEST_SUPRAMAXIMAL} responses at {SUPRAMAXIMAL:g} times that"
        if math.isfinite(start_ma)
        else f"plateau not shown up to {levels[-1]:.3g} mA: Mmax may be larger"
    )
    return Estimate(value=float(sizes.max()), n=sizes.size, method="Mmax: largest response", reason=reason)


def _of_one_current(sizes: Values, levels: Values) -> Estimate:
    where = f"{levels[0]:.3g} mA only" if levels.size else "current not known"
    reason = f"{where}: plateau not checked"
    if sizes.size < FEWEST_SUPRAMAXIMAL:
        return Estimate(value=float(sizes.max()), n=sizes.size, method="Mmax: largest response", reason=reason)
    averaged = arithmetic_mean(sizes)
    method = f"Mmax: mean of {sizes.size} responses, Student's t interval"
    return Estimate(
        value=averaged.value, low=averaged.low, high=averaged.high, n=averaged.n, method=method, reason=reason
    )


def _plateau_start_ma(
    currents: Values,
    sizes: Values,
    levels: Values,
) -> float:
    """Return the lowest current from which on the mean response grows by less than 5 % to the end; NaN without plateau."""
    means = np.array([sizes[currents == level].mean() for level in levels])
    if levels.size < 4 or means[-4] <= 0 or np.max(means[-3:]) - means[-4] >= PLATEAU_GROWTH * means[-4]:
        return math.nan
    start = levels.size - 4
    while start > 0 and means[-1] - means[start - 1] < PLATEAU_GROWTH * means[start - 1]:
        start -= 1
    return float(levels[start])
