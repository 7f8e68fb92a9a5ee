"""When the samples of a channel were taken: runs that are even in time, with gaps between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.recording.cutting import span_samples


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Sweeps as sample numbers, each array of shape (n_sweeps,); ``length`` samples each.

    ``first`` sample of each sweep, which need not exist: only samples from ``low`` up to, but without, ``high`` do.
    ``shift_ms`` is the true onset minus the time of the sample nearest to it.
    """

    first: NDArray[np.int64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    length: int
    onset_sample: int
    shift_ms: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """The times of ``total`` samples at ``rate_hz``.

    Parameters
    ----------
    rate_hz : float
        Sampling rate within every run.
    total : int
        Number of samples.
    first : ndarray of int, shape (n_runs,)
        Number of the first sample of each run; the first run starts with sample 0.
    start_s : ndarray of float, shape (n_runs,)
        Time of that sample in seconds from the start of the recording; rises.
    """

    rate_hz: float
    total: int
    first: NDArray[np.int64]
    start_s: NDArray[np.float64]

    @classmethod
    def even(cls, rate_hz: float, total: int, start_s: float = 0.0) -> Timeline:
        """Return the times of samples without a gap."""
        return cls(rate_hz, total, np.zeros(1, dtype=np.int64), np.array([start_s], dtype=np.float64))

    @property
    def end_s(self) -> float:
        """End of the last sample in seconds."""
        return float(self.start_s[-1] + (self.total - self.first[-1]) / self.rate_hz)

    @property
    def gap_count(self) -> int:
        """Number of gaps."""
        return len(self.first) - 1

    def times_s(self, samples: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the times of samples in seconds, the same shape."""
        run = np.searchsorted(self.first, samples, side="right") - 1
        return np.asarray(self.start_s[run] + (samples - self.first[run]) / self.rate_hz, dtype=np.float64)

    def place(self, onsets_s: Sequence[float], before_ms: float, after_ms: float) -> Placed:
        """Return which samples make up the sweeps around ``onsets_s``, each spanning at least what is asked for.

        A sweep holds samples of one run only, that of its onset: what lies beyond a gap is never joined to it.
        """
        onsets = np.asarray(onsets_s, dtype=np.float64)
        half = 0.5 / self.rate_hz
        run = np.maximum(np.searchsorted(self.start_s, onsets + half, side="right") - 1, 0)
        exact = (onsets - self.start_s[run]) * self.rate_hz
        nearest = np.rint(exact).astype(np.int64)
        before, after = span_samples(before_ms, self.rate_hz), span_samples(after_ms, self.rate_hz)
        return Placed(
            first=self.first[run] + nearest - before,
            low=self.first[run],
            high=np.append(self.first[1:], self.total)[run],
            length=before + after + 1,
            onset_sample=before,
            shift_ms=(exact - nearest) / self.rate_hz * 1e3,
        )
