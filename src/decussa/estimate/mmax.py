"""The largest M-wave: has the nerve been stimulated supramaximally, and how large is the response then?"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from decussa.estimate.average import Values, arithmetic_mean, finite_values
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

#: Growth of the M-wave below which more current adds nothing (common practice, no source).
PLATEAU_GROWTH = 0.05
#: Current, as a multiple of the start of the plateau, from which a response is supramaximal (common practice, no source).
SUPRAMAXIMAL = 1.2
#: Fewest supramaximal responses that are averaged (common practice, no source).
FEWEST_SUPRAMAXIMAL = 3


def maximal_m_wave(current_ma: ArrayLike, amplitude_uv: ArrayLike) -> Estimate:
    """Return Mmax.

    The plateau starts at the lowest current that 20 % more, given three times at least, raises by less than 5 %. Mmax is
    the mean of the responses to that 20 % more and beyond; where there is a single current with three or more
    responses, their mean; else the largest response.

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
    if math.isnan(start_ma):
        reason = f"plateau not shown up to {levels[-1]:.3g} mA: Mmax may be larger"
        return Estimate(value=float(sizes.max()), n=sizes.size, method="Mmax: largest response", reason=reason)
    averaged = arithmetic_mean(sizes[currents >= SUPRAMAXIMAL * start_ma - 1e-9])
    return replace(
        averaged,
        method=f"Mmax: mean of {averaged.n} responses at {SUPRAMAXIMAL * start_ma:.3g} mA or more, Student's t interval",
    )


def _of_one_current(sizes: Values, levels: Values) -> Estimate:
    where = f"{levels[0]:.3g} mA only" if levels.size else "current not known"
    reason = f"{where}: plateau not checked"
    if sizes.size < FEWEST_SUPRAMAXIMAL:
        return Estimate(value=float(sizes.max()), n=sizes.size, method="Mmax: largest response", reason=reason)
    averaged = arithmetic_mean(sizes)
    return replace(averaged, method=f"Mmax: mean of {sizes.size} responses, Student's t interval", reason=reason)


def _plateau_start_ma(currents: Values, sizes: Values, levels: Values) -> float:
    """Return the lowest current above which a fifth more no longer adds 5 % to the mean response; NaN if there is none."""
    for level in levels:
        above = sizes[currents >= SUPRAMAXIMAL * level - 1e-9]
        if above.size < FEWEST_SUPRAMAXIMAL:
            break
        at_level = float(sizes[currents == level].mean())
        if float(above.mean()) - at_level < PLATEAU_GROWTH * at_level:
            return float(level)
    return math.nan
