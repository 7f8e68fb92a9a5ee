"""What the time stamps of a stream say: samples that are missing, a clock that jumped, the rate that is really held.

Pure. A sender stamps every sample, or only whole packets, from which the samples between are deduced; its clock may shake.
Lost samples only ever leave gaps, a shaking clock also steps back: the greatest step back is how much it shakes, and a
gap counts where it is twice that. Steps that come at every packet alike are no loss but a rate other than the one
announced.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

#: So much of the stream is watched to learn how its clock shakes, before gaps count.
SETTLE_S = 2.0
#: A step back further than this, or one ahead that no waiting explains, is a clock that was set.
JUMP_S = 0.02
BACK_S = 0.05
#: A gap is no more than half a sample by rounding; steps smaller than a quarter are nothing.
_ODD = 0.25
_GAP = 0.5
_SHAKES = 2.0
#: The shaking that was seen is forgotten to a third in so many samples.
_FORGET = 1e-5
#: Equal steps at equal distances: within this share of their mean.
_ALIKE = 0.3
_FEWEST = 12
#: One point for the rate so often, and no more points than this.
_POINT_S = 0.25
_POINTS = 1_200
#: Between two points lies a hole where the time is off by more than this many median deviations, and this share.
_HOLE = 8.0
_LEAST_HOLE = 1e-3


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples missing before place ``at`` of what was taken."""

    at: int
    missing: int


@dataclass(frozen=True, slots=True)
class Taken:
    """What one piece of a stream was: its gaps, the seconds by which the clock was set, and times free of such jumps."""

    gaps: tuple[Gap, ...]
    jump_s: float
    stamps_s: Array


#: Digits of a number that a double can hold.
_MOST_DIGITS = 15


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate in Hz with its 95 % interval (a line through the time stamps, four points a second)."""

    value: float
    low: float
    high: float

    @property
    def roundest(self) -> float:
        """The number with the fewest digits that the interval holds, nearest the value: finer ones would be noise."""
        shorter = (float(f"{self.value:.{digits}g}") for digits in range(1, _MOST_DIGITS))
        return next((number for number in shorter if self.low <= number <= self.high), self.value)


class Stamps:
    """Follows one stream from its first sample.

    Parameters
    ----------
    rate_hz : float
        The rate that the stream announces.
    """

    def __init__(self, rate_hz: float) -> None:
        self.step_s = 1.0 / rate_hz
        self.taken = 0
        #: Seconds that are taken from every stamp: the clock was set so far ahead.
        self.set_s = 0.0
        self._last = math.nan
        self._shaken = 0.0
        self._usual = 0.0
        self._odd: deque[tuple[int, float]] = deque(maxlen=64)
        self._lags: deque[tuple[float, float]] = deque(maxlen=50)
        self._points: deque[tuple[float, float]] = deque(maxlen=_POINTS)
        self._place = 0
        self._knows = False

    @property
    def settled(self) -> bool:
        """Whether enough was seen for gaps to count."""
        return self._knows or self.taken * self.step_s >= SETTLE_S

    def again(self) -> Stamps:
        """Return one to follow the same stream from its first sample, knowing how its clock shakes: every gap counts."""
        other = Stamps(1 / self.step_s)
        other._shaken, other._usual, other._knows = self._shaken, self._usual, True
        return other

    def take(self, stamps_s: Array, arrived_s: float) -> Taken:
        """Take the stamps of a piece, shape (n,), that arrived at a moment of our clock."""
        straight = stamps_s - self.set_s
        first = straight[0] - self.step_s if math.isnan(self._last) else self._last
        over = np.diff(straight, prepend=first) - self.step_s
        jump_s, at = self._jump(over, float(stamps_s[-1]), arrived_s)
        if jump_s:
            straight = straight.copy()
            straight[at:] -= jump_s
            over[at] -= jump_s
            self.set_s += jump_s
        gaps = self._gaps(over) if self.settled else ()
        self._learn(over)
        self._last = float(straight[-1])
        self._lags.append((arrived_s, float(stamps_s[-1])))
        self._note(straight, gaps)
        return Taken(gaps, jump_s, straight)

    def _jump(self, over: Array, last_s: float, arrived_s: float) -> tuple[float, int]:
        """Return by how much the clock was set within a piece, and where; 0 where it was not.

        Lost samples cost time; a clock set ahead does not, so that the piece seems to have travelled less than any before.
        """
        back = int(np.argmin(over))
        if over[back] < -BACK_S:
            return float(over[back]), back
        ahead = int(np.argmax(over))
        if over[ahead] < JUMP_S or len(self._lags) < 5:
            return 0.0, 0
        passed = self._lags[-1][0] - self._lags[0][0]
        stamped = self._lags[-1][1] - self._lags[0][1]
        is_live = stamped > 0 and 0.8 < passed / stamped < 1.25
        least = min(came - stamp for came, stamp in self._lags)
        if is_live and arrived_s - last_s < least - over[ahead] / 2:
            return float(over[ahead]), ahead
        return 0.0, 0

    def _gaps(self, over: Array) -> tuple[Gap, ...]:
        beyond = over - self._usual if self._usual else over
        least = max(_GAP * self.step_s, _SHAKES * self._shaken)
        return tuple(
            Gap(int(at), max(1, round(float(beyond[at]) / self.step_s))) for at in np.flatnonzero(beyond > least)
        )

    def _learn(self, over: Array) -> None:
        """Learn how much the clock shakes, and whether steps come alike."""
        back = -float(over.min())
        self._shaken *= math.exp(-_FORGET * over.size)
        if back > _ODD * self.step_s:
            self._shaken = max(self._shaken, min(back, BACK_S))
        for at in np.flatnonzero(over > _ODD * self.step_s)[-64:]:
            self._odd.append((self.taken + int(at), float(over[at])))
        self.taken += over.size
        if not self.settled and len(self._odd) >= _FEWEST:
            where, size = np.array(self._odd).T
            apart = np.diff(where)
            alike = np.std(size) < _ALIKE * np.mean(size) and np.std(apart) < _ALIKE * np.mean(apart)
            self._usual = float(np.median(size)) if alike else 0.0

    def _note(self, straight: Array, gaps: tuple[Gap, ...]) -> None:
        """Keep points for the rate: the sample's number, lost ones counted, and its time."""
        self._place += straight.size + sum(gap.missing for gap in gaps)
        if not self._points or (self._place - self._points[-1][0]) * self.step_s >= _POINT_S:
            self._points.append((float(self._place), float(straight[-1])))

    def begin_anew(self) -> None:
        """Forget the rate's points: what comes now is counted from a new start."""
        self._points.clear()
        self._lags.clear()
        self._last = math.nan

    def rate(self) -> Rate:
        """Return the rate that is really held, NaN before two seconds were seen."""
        if len(self._points) * _POINT_S < SETTLE_S:
            return Rate(math.nan, math.nan, math.nan)
        place, time_s = _without_holes(*np.array(self._points).T)
        off = place - place.mean()
        slope = float(off @ time_s / (off @ off))
        left = time_s - time_s.mean() - slope * off
        freedom = place.size - 2
        reach = math.sqrt(float(left @ left) / freedom / float(off @ off)) * float(special.stdtrit(freedom, 0.975))
        return Rate(1 / slope, 1 / (slope + reach), 1 / (slope - reach))


def _without_holes(place: Array, time_s: Array) -> tuple[Array, Array]:
    """Return the points from zero; where samples were lost uncounted, the usual time takes the place of the time that passed."""
    places, times = np.diff(place), np.diff(time_s)
    steps = times / places
    usual = float(np.median(steps))
    least = max(_HOLE * float(np.median(np.abs(steps - usual))), _LEAST_HOLE * usual)
    times = np.where(np.abs(steps - usual) > least, usual * places, times)
    return np.concatenate(([0.0], np.cumsum(places))), np.concatenate(([0.0], np.cumsum(times)))
