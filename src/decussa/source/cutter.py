"""Sweeps out of samples that keep coming: pulses that belong together, and what was recorded around them.

Pure: no clock, no library, and the same sweeps however the samples were chopped up on their way.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.sweep import SamplesUv
from decussa.source.pulse_finders import STEEP_UV, ArtifactFinder, TriggerFinder
from decussa.source.ring import Ring

#: Kept before the first pulse and after the last; longer after it where one mark may stand for two pulses.
BEFORE_MS = 360.0
AFTER_MS = 450.0
LONG_AFTER_MS = 650.0
#: Pulses closer than this belong to one stimulus. Common practice, no source: the longest interval of a pair in use is
#: 200 ms, the shortest pause between stimuli 1 s.
SAME_STIMULUS_S = 0.45
#: An artifact this close to a pulse is that pulse's own.
OWN_ARTIFACT_S = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """What was recorded around pulses that belong together.

    Parameters
    ----------
    pulses : tuple of int
        Numbers of the samples at which pulses begin.
    first : int
        Number of the first sample that was cut.
    samples : ndarray of float32, shape (n_channels, n_samples)
        NaN where samples were lost.
    artifact : int
        Number of the sample at which the EMG steps, -1 where it does not.
    artifact_uv : float
        Size of that step.
    """

    pulses: tuple[int, ...]
    first: int
    samples: SamplesUv
    artifact: int = -1
    artifact_uv: float = math.nan


@dataclass(frozen=True, slots=True)
class LoneArtifact:
    """An artifact in the EMG to which no pulse belongs: number of the sample, and size of the step in µV."""

    sample: int
    size_uv: float


class Cutter:
    """Takes samples and returns what is complete.

    Parameters
    ----------
    n_channels : int
        Rows of what is fed.
    rate_hz : float
        Sampling rate.
    emg_rows : tuple of int
        Rows that hold EMG, in µV.
    trigger_row : int
        Row of the trigger channel; -1 where there is none.
    from_artifact : bool
        Whether artifacts are pulses, where neither a trigger nor markers tell.
    after_ms : float
        Kept after the last pulse.
    keep_s : float
        Seconds that stay in memory.
    """

    def __init__(
        self,
        n_channels: int,
        rate_hz: float,
        *,
        emg_rows: tuple[int, ...],
        trigger_row: int = -1,
        trigger_level: float = math.nan,
        from_artifact: bool = False,
        least_artifact_uv: float = STEEP_UV,
        after_ms: float = AFTER_MS,
        keep_s: float = 60.0,
    ) -> None:
        self.ring = Ring(n_channels, math.ceil(keep_s * rate_hz))
        self._emg_rows = list(emg_rows)
        self._trigger_row = trigger_row
        self._from_artifact = from_artifact
        self._trigger = TriggerFinder(rate_hz, trigger_level)
        self._artifact = ArtifactFinder(rate_hz, least_artifact_uv)
        self._before = math.ceil(BEFORE_MS * rate_hz / 1e3)
        self._after = math.ceil(after_ms * rate_hz / 1e3)
        self._same = math.ceil(SAME_STIMULUS_S * rate_hz)
        self._own = math.ceil(OWN_ARTIFACT_S * rate_hz)
        self._pulses: list[int] = []
        self._artifacts: list[tuple[int, float]] = []

    def feed(self, samples: SamplesUv, stamps: NDArray[np.float64]) -> list[Cut | LoneArtifact]:
        """Take samples, shape (n_channels, n), with their times; return what became complete, in order."""
        self.ring.write(samples, stamps)
        steps = self._artifact.feed(samples[self._emg_rows])
        self._artifacts += steps
        if self._trigger_row >= 0:
            self._pulses += self._trigger.feed(samples[self._trigger_row])
        elif self._from_artifact:
            self._pulses += [at for at, _ in steps]
        return self._complete()

    def mark(self, sample: int) -> None:
        """Say that a pulse was given at a sample: a marker told."""
        bisect.insort(self._pulses, sample)

    def _complete(self) -> list[Cut | LoneArtifact]:
        done: list[Cut | LoneArtifact] = []
        while self._pulses:
            first = self._pulses[0]
            members = tuple(at for at in self._pulses if at < first + self._same)
            if self.ring.end < max(first + self._same, members[-1] + self._after):
                break
            done += self._lone(first - self._own)
            del self._pulses[: len(members)]
            done.append(self._cut(members))
        else:
            done += self._lone(self.ring.end - 2 * self._same)
        return done

    def _cut(self, pulses: tuple[int, ...]) -> Cut:
        first = pulses[0] - self._before
        samples = self.ring.read(first, pulses[-1] + self._after)
        own = [found for found in self._artifacts if found[0] <= pulses[-1] + self._own]
        self._artifacts = self._artifacts[len(own) :]
        at, size = own[0] if own else (-1, math.nan)
        return Cut(pulses, first, samples, at, size)

    def _lone(self, before: int) -> list[Cut | LoneArtifact]:
        """Return, and forget, the artifacts before a sample: they belong to no pulse."""
        lone = [LoneArtifact(*found) for found in self._artifacts if found[0] < before]
        self._artifacts = self._artifacts[len(lone) :]
        return list(lone)
