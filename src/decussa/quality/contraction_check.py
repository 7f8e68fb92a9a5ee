"""Swapped leads: while one muscle is contracted, which channel rises?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decussa.quality.finding import Finding
from decussa.quality.stretches import rise_with_interval, stretch_rms

Array = NDArray[np.float64]

CONTRACTION = "rises with its muscle"
_METHOD = "ratio of RMS in stretches of 95 ms, contraction over rest; Welch interval of logarithms"
#: By which factor the channel of the contracted muscle must rise to be told from rest, and by which share of the rise (of its
#: logarithm) another channel follows so closely that crosstalk must be thought of (common practice, no source).
LEAST_RISE = 2.0
_FOLLOWS = 0.7


def check_contraction(
    rest_uv: Array, contraction_uv: Array, rate_hz: float, channels: Sequence[str], asked: str
) -> Finding:
    """Return whether the channel that should belong to the contracted muscle rises, and most of all.

    Parameters
    ----------
    rest_uv, contraction_uv : ndarray, shape (n_channels, n_samples), microvolt
        The channels at rest, and while the participant contracts one muscle lightly; NaN where samples were lost.
    rate_hz : float
        Sampling rate.
    channels : sequence of str
        Names in order.
    asked : str
        The channel of the muscle that is contracted, one of ``channels``.
    """
    rises = {
        name: rise_with_interval(stretch_rms(before, rate_hz), stretch_rms(now, rate_hz))
        for name, before, now in zip(channels, rest_uv, contraction_uv, strict=True)
    }
    value, low, high = rises[asked]
    base = Finding(
        check=CONTRACTION, channel=asked, value=value, low=low, high=high, unit="-fold", method=_METHOD,
        n=len(stretch_rms(contraction_uv[0], rate_hz)),
    )  # fmt: skip
    others = {name: rise for name, rise in rises.items() if name != asked and math.isfinite(rise[0])}
    most = max(others, key=lambda name: others[name][0], default="")
    if math.isnan(value):
        said = "too little signal to tell, or none."
        return base.says("unknown", said, "Look at this channel's contact first.")
    rose = low >= LEAST_RISE
    if most and others[most][1] >= LEAST_RISE and others[most][1] > high:
        said = f"{most} rose {others[most][0]:.1f}-fold, {asked} only {value:.1f}-fold."
        if rose:
            do = "Hold the contraction of this muscle alone; if it stays so, the leads are swapped."
            return base.says("doubtful", said, do)
        return base.says("bad", f"{said} The leads look swapped.", "Follow both leads from skin to socket.")
    if not rose:
        said = f"no clear rise: {value:.1f}-fold [{low:.1f}, {high:.1f}], at least {LEAST_RISE:g}-fold expected."
        do = "Ask for a firmer contraction against your hand; if nothing rises, the lead or the place is wrong."
        return base.says("bad" if high < LEAST_RISE else "doubtful", said, do)
    said = f"rose {value:.1f}-fold [{low:.1f}, {high:.1f}]"
    if most and math.log(max(others[most][0], 1.0)) >= _FOLLOWS * math.log(value):
        said = f"{said}; {most} rose {others[most][0]:.1f}-fold with it."
        do = "Crosstalk or a contraction of both: ask for this muscle alone, look at the distance of the electrodes."
        return base.says("doubtful", said, do)
    return base.says("good", f"{said}, more than any other channel." if others else f"{said}.")
