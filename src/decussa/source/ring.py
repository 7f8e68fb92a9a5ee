"""The last seconds of a stream in fixed memory, by the number that each sample has had since the stream began."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.model.sweep import SamplesUv


class Ring:
    """Samples and their times; the newest overwrite the oldest.

    Parameters
    ----------
    n_channels : int
        Rows of what is written.
    capacity : int
        Samples that are kept.
    """

    def __init__(self, n_channels: int, capacity: int) -> None:
        self._samples = np.full((n_channels, capacity), np.nan, dtype=np.float32)
        self._stamps = np.full(capacity, np.nan)
        self.capacity = capacity
        #: Number of the sample that comes next; the first of all has number 0.
        self.end = 0

    @property
    def start(self) -> int:
        """Number of the oldest sample that is kept."""
        return max(0, self.end - self.capacity)

    def write(self, samples: SamplesUv, stamps: NDArray[np.float64]) -> None:
        """Add samples, shape (n_channels, n_samples), with their times in seconds, shape (n_samples,)."""
        count = samples.shape[1]
        kept = min(count, self.capacity)
        places = np.arange(self.end + count - kept, self.end + count) % self.capacity
        self._samples[:, places] = samples[:, count - kept :]
        self._stamps[places] = stamps[count - kept :]
        self.end += count

    def read(self, first: int, stop: int) -> SamplesUv:
        """Return samples ``first`` to ``stop`` (not included), shape (n_channels, stop - first); NaN where none is kept."""
        out = np.full((self._samples.shape[0], stop - first), np.nan, dtype=np.float32)
        low, high = max(first, self.start), min(stop, self.end)
        if low < high:
            out[:, low - first : high - first] = self._samples[:, np.arange(low, high) % self.capacity]
        return out

    def stamps(self, first: int, stop: int) -> NDArray[np.float64]:
        """Return the times of samples that are kept, from ``first`` on, before ``stop``."""
        low, high = max(first, self.start), min(stop, self.end)
        return self._stamps[np.arange(low, max(low, high)) % self.capacity]

    def stamp(self, sample: int) -> float:
        """Return the time of a sample, NaN where it is not kept."""
        return float(self._stamps[sample % self.capacity]) if self.start <= sample < self.end else math.nan

    def at(self, stamp_s: float) -> int:
        """Return the number of the sample nearest to a time; may lie before what is kept or after what has come."""
        stamps = self.stamps(self.start, self.end)
        if stamps.size < 2:
            return self.end
        step_s = (stamps[-1] - stamps[0]) / (stamps.size - 1)
        if stamp_s >= stamps[-1]:
            return self.end - 1 + round(float((stamp_s - stamps[-1]) / step_s))
        if stamp_s <= stamps[0]:
            return self.start - round(float((stamps[0] - stamp_s) / step_s))
        after = int(np.searchsorted(stamps, stamp_s))
        return self.start + after - bool(stamp_s - stamps[after - 1] < stamps[after] - stamp_s)
