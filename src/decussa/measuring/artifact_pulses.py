"""Pulses from their stimulus artifacts alone, where nothing else in a recording tells of them.

An artifact bends the trace as no muscle does: sharper by far than all else, and out of quiet. First the sharpest bend (second
difference) of every tenth of a second is taken; events are what stands out of these by a gap; within an event each artifact
starts with a sharp bend that follows quiet. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

BLOCK_S = 0.1
#: A block may hold an artifact if its sharpest bend is so many times that of the median block.
LEAST_PER_USUAL = 4.0
#: Blocks of one stimulus, with its conditioning pulse and response, lie no further apart.
SAME_STIMULUS_S = 0.35
#: How many times sharper the weakest artifact is than the sharpest bend elsewhere, to be unmistakable, and to be believed where
#: somebody asked for artifacts.
UNMISTAKABLE_GAP = 4.0
LEAST_GAP = 2.0
#: Unmistakable artifacts are so many, none lasts longer, no two are closer, and their bends are alike within this factor.
FEWEST = 3
LONGEST_S = 0.5
CLOSEST_S = 0.5
MOST_SPREAD = 10.0
#: An artifact has a bend of this share of the sharpest one nearby, rises to it within so long, and what precedes is calm.
SHARP_SHARE = 0.25
RISE_SHARE = 0.1
RISE_MS = 1.0
#: Out of quiet, the rise starts where bends exceed the median of so many ms before so many times.
QUIET_MS = 20.0
QUIET_PER_MEDIAN = 8.0
CALM_SHARE = 0.35
CALM_MS = 0.4
#: All that is sharp about an artifact is over so long after its start.
LONGEST_MS = 8.0
#: Two pulses closer than this cannot be told apart by their artifacts alone.
CLOSEST_PAIR_MS = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What stands out of a channel.

    Parameters
    ----------
    blocks : tuple of (int, int)
        First and last block of each event.
    gap : float
        Sharpest bend of the weakest event over that of all other blocks; 0 where nothing stands out.
    spread : float
        Sharpest event over the weakest, in their sharpest bends.
    """

    blocks: tuple[tuple[int, int], ...]
    gap: float
    spread: float

    @property
    def unmistakable(self) -> bool:
        """Whether the events can be nothing but stimuli."""
        starts = np.array([first for first, _ in self.blocks]) * BLOCK_S
        apart = starts.size < 2 or float(np.diff(starts).min()) >= CLOSEST_S
        brief = all((last - first + 1) * BLOCK_S <= LONGEST_S + 1e-9 for first, last in self.blocks)
        many = len(self.blocks) >= FEWEST
        return self.gap >= UNMISTAKABLE_GAP and many and brief and apart and self.spread <= MOST_SPREAD


def sharpest_bends(samples_uv: ArrayLike, rate_hz: float) -> Array:
    """Return the sharpest bend of each block of ``BLOCK_S``, shape (n_blocks,), microvolt; 0 where none is finite.

    Pieces that share two samples lose no bend between them.
    """
    bends = _raw_bends(samples_uv)
    width = block_samples(rate_hz)
    blocks = (
        np.pad(bends, (0, -bends.size % width)).reshape(-1, width) if bends.size % width else bends.reshape(-1, width)
    )
    sharpest = blocks.max(axis=1)
    return np.asarray(sharpest if np.isfinite(sharpest).all() else _finite(blocks).max(axis=1))


def _bends(samples_uv: ArrayLike) -> Array:
    """Return the second differences, unsigned; the first belongs to the second sample. 0 where they are not finite."""
    return _finite(_raw_bends(samples_uv))


def _raw_bends(samples_uv: ArrayLike) -> Array:
    samples = np.asarray(samples_uv, dtype=np.float64).ravel()
    bends = np.diff(samples, n=2)
    return np.abs(bends, out=bends)


def _finite(bends: Array) -> Array:
    return np.where(np.isfinite(bends), bends, 0.0)


def block_samples(rate_hz: float) -> int:
    """Return the number of bends in a block."""
    return max(2, round(BLOCK_S * rate_hz))


def find_standing(sharpest: ArrayLike) -> Standing:
    """Return the events that stand out of the sharpest bends of all blocks, by the widest gap between what does and does not."""
    heights = np.asarray(sharpest, dtype=np.float64)
    nothing = Standing(blocks=(), gap=0.0, spread=math.nan)
    moving = heights[heights > 0]
    if moving.size < 3:
        return nothing
    usual = float(np.median(moving))
    events = _join(np.flatnonzero(heights > LEAST_PER_USUAL * usual))
    if not events:
        return nothing
    tops = np.array([heights[first : last + 1].max() for first, last in events])
    outside = np.ones(heights.size, dtype=bool)
    for first, last in events:
        outside[first : last + 1] = False
    ranked = np.sort(np.append(tops, heights[outside].max(initial=usual)))[::-1]
    ratios = ranked[:-1] / ranked[1:]
    cut = int(np.argmax(ratios))
    chosen = [event for event, top in zip(events, tops, strict=True) if top >= ranked[cut]]
    return Standing(blocks=tuple(chosen), gap=float(ratios[cut]), spread=float(ranked[0] / ranked[cut]))


def find_starts(samples_uv: ArrayLike, rate_hz: float) -> list[int]:
    """Return the first sample of each artifact in a stretch around one stimulus.

    Parameters
    ----------
    samples_uv : array, shape (n_samples,), microvolt
        Starts with quiet.
    rate_hz : float
        Sampling rate.
    """
    bends = _bends(samples_uv)
    if not bends.size:
        return []
    top = float(bends.max())
    calm, apart, rise, quiet = (
        max(2, round(span * rate_hz / 1e3)) for span in (CALM_MS, CLOSEST_PAIR_MS, RISE_MS, QUIET_MS)
    )
    starts: list[int] = []
    for at in np.flatnonzero(bends >= SHARP_SHARE * top):
        least = RISE_SHARE * top
        if not starts or at - starts[-1] > quiet:
            least = min(least, QUIET_PER_MEDIAN * _median(bends[max(0, at - quiet) : at]))
        reach = max(0, at - rise)
        rising = np.flatnonzero(bends[reach:at] >= least)
        begin = int(reach + rising[0]) if rising.size else int(at)
        before = bends[max(0, begin - calm) : begin]
        near = bool(starts) and begin + 2 - starts[-1] < apart
        if not near and before.size and before.max() <= CALM_SHARE * bends[at]:
            starts.append(begin + 2)
    return starts


def _median(values: Array) -> float:
    return float(np.median(values)) if values.size else math.inf


def are_brief(samples_uv: ArrayLike, rate_hz: float, starts: Sequence[int]) -> bool:
    """Return whether all that is sharp in a stretch follows its artifacts at once: else it may be muscle, or a fault."""
    bends = _bends(samples_uv)
    sharp = np.flatnonzero(bends >= SHARP_SHARE * bends.max(initial=0.0)) + 2
    span = LONGEST_MS * rate_hz / 1e3
    return all(any(-2 <= at - start <= span for start in starts) for at in sharp)


def _join(blocks: Sequence[int] | NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return runs of blocks that belong to one stimulus."""
    runs: list[tuple[int, int]] = []
    for block in blocks:
        if runs and (block - runs[-1][1]) * BLOCK_S < SAME_STIMULUS_S:
            runs[-1] = (runs[-1][0], int(block))
        else:
            runs.append((int(block), int(block)))
    return runs
