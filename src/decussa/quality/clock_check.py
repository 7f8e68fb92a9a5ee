"""Is the sampling rate what it says, and does every pulse leave one mark, at once and only then?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from decussa.quality.finding import Finding

RATE, TRIGGER = "sampling rate", "trigger"
#: Deviations from which the rate is doubtful and bad (common practice, no source): at 1 % a latency of 20 ms is off by 0.2 ms.
RATE_DOUBTFUL, RATE_BAD = 1e-3, 5e-3
#: A slope is not made better by more points than this, but much slower.
_MOST_POINTS = 400
#: Marks closer together than this are one pulse that was marked twice (common practice, no source): pairs are not tried here.
BOUNCE_MS = 50.0


def check_rate(clock_s: ArrayLike, samples: ArrayLike, declared_hz: float) -> Finding:
    """Return whether samples come at the rate that is declared.

    Parameters
    ----------
    clock_s : array, shape (n,), seconds
        When a piece of signal had arrived, by this machine's steady clock.
    samples : array, shape (n,)
        How many samples had come by then.
    declared_hz : float
        The rate that the recorder declares.

    The rate is the Theil-Sen slope (median of the slopes between all pairs of points): pieces that come late, as they do on a
    busy machine, do not bend it. Its 95 % interval takes arrivals for independent, which they are not; it is widened by what
    their usual lateness (1.5 times the range of the middle half) can do over the time that was looked at.
    """
    at, count = np.asarray(clock_s, dtype=np.float64), np.asarray(samples, dtype=np.float64)
    if at.size > _MOST_POINTS:
        kept = np.linspace(0, at.size - 1, _MOST_POINTS).round().astype(int)
        at, count = at[kept], count[kept]
    base = Finding(check=RATE, unit="Hz", method="slope of samples over arrival, Theil-Sen", n=int(at.size))
    if at.size < 10 or at[-1] - at[0] < 2:
        return base.says("unknown", "two seconds and ten arrivals at least are needed.", "Look again in a moment.")
    slope = stats.theilslopes(count, at)
    value = float(slope.slope)
    late_s = 1.5 * stats.iqr(count - value * at) / declared_hz
    late_hz = late_s / (at[-1] - at[0]) * declared_hz
    low, high = float(slope.low_slope - late_hz), float(slope.high_slope + late_hz)
    base = replace(base, value=value, low=low, high=high)
    said = f"{value:.1f} Hz [{low:.1f}, {high:.1f}] by this machine's clock, {declared_hz:g} Hz declared."
    off = max(low / declared_hz - 1, 1 - high / declared_hz, 0.0)
    wide = (high - low) / 2 / declared_hz
    if off > RATE_BAD:
        do = "Every latency would be off by this share: correct the rate in the recorder before anything is measured."
        return base.says("bad", said, do)
    if off > RATE_DOUBTFUL:
        return base.says("doubtful", said, "Look at the recorder's setting; let it run for a minute and look again.")
    if wide > RATE_BAD:
        return base.says("unknown", said, "The interval is still wide: look again in a moment.")
    return base.says("good", said)


def check_trigger(onsets_s: Sequence[float], fired: int, *, marked_by: str = "trigger channel") -> Finding:
    """Return whether so many pulses as were fired left a mark, each one.

    Parameters
    ----------
    onsets_s : sequence of float, seconds
        The marks that were seen while somebody fired, in order.
    fired : int
        How many pulses were fired into the air, coil away from everybody; 0 to see that nothing comes by itself.
    marked_by : str
        What marks a pulse, for the words.
    """
    seen = len(onsets_s)
    gaps_ms = np.diff(np.asarray(onsets_s, dtype=np.float64)) * 1e3
    double = int((gaps_ms < BOUNCE_MS).sum()) if seen > 1 else 0
    base = Finding(check=TRIGGER, value=float(seen), n=fired, unit="marks", method="counted")
    said = f"{seen} {'mark' if seen == 1 else 'marks'} on the {marked_by} for {fired} {'pulse' if fired == 1 else 'pulses'}"
    if double:
        closest = float(gaps_ms.min())
        do = "Look at the trigger's cable and level; a mark that bounces is counted twice."
        return base.says("bad", f"{said}; {double} within {BOUNCE_MS:g} ms of another (least {closest:.1f} ms).", do)
    if seen == fired:
        return base.says("good", f"{said}.")
    if fired == 0:
        return base.says("bad", f"{said}: marks come by themselves.", "Look for a loose cable or a level too low.")
    if seen == 0:
        do = "Check the cable from stimulator to amplifier, the channel chosen as trigger, and its threshold."
        return base.says("bad", f"{said}.", do)
    do = "Fire again, singly and five seconds apart; a pulse without a mark cannot be measured."
    return base.says("bad", f"{said}.", do)
