"""Pulses in samples that keep coming: from a trigger channel, else from the artifact in the EMG.

What is found depends on the samples alone, not on the pieces in which they come.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]

#: Edges closer than this bounce. Common practice, no source.
BOUNCE_S = 0.0005
#: So long a trigger channel is watched to learn how it rests.
LEARN_S = 1.0
#: Noise alone reaches about 8 times its median excursion in an hour (5.5 standard deviations of 0.67); a pulse far more.
_ABOVE_NOISE = 12.0
#: A channel that changes at more samples than this within ``LEARN_S`` flickers by the converter's last bits.
_FLICKERS = 20
_FLICKER_STEPS = 4.0
#: A step in the EMG from one sample to the next that no response makes: as a multiple of the usual step, and in µV.
#: Common practice, no source.
_STEEP = 20.0
STEEP_UV = 500.0
#: The usual step is learnt from stretches of this length; the artifact of a second pulse is not told from the first's.
_STRETCH_S = 0.5
_REFRACTORY_S = 0.5
#: Median excursion of noise with standard deviation 1.
_MAD = 0.6745


class TriggerFinder:
    """Where a trigger channel leaves its rest, up or down; what is missing (NaN) counts as rest.

    Parameters
    ----------
    rate_hz : float
        Sampling rate.
    level : float
        How far from rest a pulse is, in the channel's unit; NaN: learnt from the first second.
    """

    def __init__(self, rate_hz: float, level: float = math.nan) -> None:
        self._bounce = math.ceil(BOUNCE_S * rate_hz)
        self._learn = math.ceil(LEARN_S * rate_hz)
        self._given_level = level
        self._early: list[Samples] = []
        self._seen = 0
        self._rest, self._level = math.nan, math.nan
        self._away, self._last = False, -(10**9)

    def feed(self, samples: Samples) -> list[int]:
        """Take samples, shape (n,); return the numbers of the samples at which pulses begin, in order."""
        if not math.isnan(self._rest):
            return self._edges(samples)
        self._early.append(samples)
        if sum(part.size for part in self._early) < self._learn:
            return []
        early = np.concatenate(self._early)
        self._early = []
        self._know(early[: self._learn])
        return self._edges(early)

    def _know(self, early: Samples) -> None:
        """Learn rest and level from exactly the first second."""
        known = early[np.isfinite(early)]
        self._rest = float(np.median(known)) if known.size else 0.0
        least = 1e-6 * (1.0 + abs(self._rest))
        if known.size:
            steps = np.abs(np.diff(known))
            moved = steps[steps > 0]
            least = max(least, _ABOVE_NOISE * float(np.median(np.abs(known - self._rest))))
            if moved.size > _FLICKERS:
                least = max(least, _FLICKER_STEPS * float(np.median(moved)))
        self._level = least if math.isnan(self._given_level) else self._given_level

    def _edges(self, samples: Samples) -> list[int]:
        with np.errstate(invalid="ignore"):
            away = np.abs(samples - self._rest) > self._level
        before = np.concatenate(([self._away], away[:-1]))
        found = []
        for at in np.flatnonzero(away & ~before) + self._seen:
            if at - self._last >= self._bounce:
                found.append(int(at))
            self._last = int(at)
        self._away = bool(away[-1]) if away.size else self._away
        self._seen += samples.size
        return found


class ArtifactFinder:
    """Where the EMG makes a step that no muscle makes: the first of a pair, or a single pulse.

    Parameters
    ----------
    rate_hz : float
        Sampling rate.
    least_uv : float
        Least step from one sample to the next, in µV.
    """

    def __init__(self, rate_hz: float, least_uv: float = STEEP_UV) -> None:
        self._stretch = math.ceil(_STRETCH_S * rate_hz)
        self._refractory = math.ceil(_REFRACTORY_S * rate_hz)
        self._least_uv = least_uv
        self._usual: list[float] = []
        self._steps = np.empty(self._stretch, dtype=np.float32)
        self._filled = self._seen = 0
        self._before: Samples | None = None
        self._last = -(10**9)

    def feed(self, samples_uv: Samples) -> list[tuple[int, float]]:
        """Take EMG, shape (n_channels, n); return number and size in µV of the steps that are artifacts, in order."""
        if samples_uv.size == 0:
            return []
        before = samples_uv[:, :1] if self._before is None else self._before
        self._before = samples_uv[:, -1:].copy()
        steps = np.abs(np.diff(samples_uv, axis=1, prepend=before))
        steps = np.max(np.where(np.isfinite(steps), steps, 0.0), axis=0)
        found: list[tuple[int, float]] = []
        done = 0
        while done < steps.size:
            part = steps[done : done + self._stretch - self._filled]
            found += self._look(part)
            self._steps[self._filled : self._filled + part.size] = part
            self._filled += part.size
            self._seen += part.size
            done += part.size
            if self._filled == self._stretch:
                self._usual = [*self._usual[-3:], float(np.median(self._steps)) / _MAD]
                self._filled = 0
        return found

    def _look(self, steps: Samples) -> list[tuple[int, float]]:
        if not self._usual:
            return []
        least = max(_STEEP * float(np.median(self._usual)), self._least_uv)
        found = []
        for at in np.flatnonzero(steps > least):
            number = self._seen + int(at)
            if number - self._last >= self._refractory:
                self._last = number
                found.append((number, float(steps[at])))
        return found
