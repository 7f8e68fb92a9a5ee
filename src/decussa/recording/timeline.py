"""When the samples of a channel were taken: runs that are even in time, with gaps between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.recording.cutting import span_samples

#: All gaps of a recording together; more is a clock that was set, or damage.
GREATEST_GAPS_S = 172_800.0
#: Nothing that is recorded beside EMG is slower.
SLOWEST_HZ = 0.1


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


def timeline_of_stamps(
    stamps_s: NDArray[np.float64], *, nominal_hz: float, tolerance_s: float, where: str
) -> tuple[Timeline, float]:
    """Return the timeline of samples that were stamped one by one, and how far the stamps scatter about it in seconds.

    Parameters
    ----------
    stamps_s : ndarray of float, shape (n_samples,)
        Stamps in seconds from the start of the recording.
    nominal_hz : float
        The rate that the file names; NaN where it names none.
    tolerance_s : float
        A step that is longer or shorter than the usual one by more than this is a gap.
    where : str
        The channel, for messages.

    Raises
    ------
    RecordingError
        If time runs backwards, or the samples do not come at a rate.
    """
    if stamps_s.size < 2 or not np.isfinite(stamps_s).all():
        raise RecordingError("times are missing", where=where, expected="a time for each of two or more samples")
    with np.errstate(all="ignore"):
        return _fit(stamps_s, nominal_hz, tolerance_s, where)


def _fit(stamps_s: NDArray[np.float64], nominal_hz: float, tolerance_s: float, where: str) -> tuple[Timeline, float]:
    steps = np.diff(stamps_s)
    usual_s = float(1 / nominal_hz) if nominal_hz > 0 else float(np.median(steps))
    if not usual_s > 0:
        raise RecordingError(
            "times do not run forward", where=where, expected="times that rise", found=f"steps of {usual_s:g} s"
        )
    first = np.concatenate([[0], np.flatnonzero(np.abs(steps - usual_s) > tolerance_s) + 1]).astype(np.int64)
    lengths = np.diff(np.append(first, stamps_s.size))
    run = np.repeat(np.arange(first.size), lengths)
    place = np.arange(stamps_s.size, dtype=np.float64) - first[run]
    middle = (lengths - 1) / 2
    mean_s = np.add.reduceat(stamps_s, first) / lengths
    from_middle = place - middle[run]
    spread = float(from_middle @ from_middle)
    rise_s = float(from_middle @ (stamps_s - mean_s[run]))
    rate_hz = spread / rise_s if rise_s > 0 else np.nan
    if not (np.isfinite(rate_hz) and 0.5 < rate_hz * usual_s < 2):
        raise RecordingError(
            "samples do not come at an even rate", where=where, expected=f"about {1 / usual_s:g} Hz",
            found=f"{rate_hz:g} Hz, {first.size - 1} gaps",
        )  # fmt: skip
    for whole in (nominal_hz, float(round(rate_hz))):
        if abs(rate_hz - whole) < 1e-6 * rate_hz:
            rate_hz = whole
            break
    start_s = mean_s - middle / rate_hz
    ends = start_s + lengths / rate_hz
    if np.any(start_s[1:] < ends[:-1] - 0.5 * usual_s):
        back = int(np.argmax(start_s[1:] < ends[:-1] - 0.5 * usual_s))
        raise RecordingError(
            "time runs backwards", where=where, expected=f"samples after {ends[back]:.6g} s", found=f"{start_s[back + 1]:.6g} s",
            do="export the recording again with its clock set right",
        )  # fmt: skip
    check_gaps(float(np.sum(start_s[1:] - ends[:-1])), where)
    scatter_s = float(np.max(np.abs(stamps_s - start_s[run] - place / rate_hz)))
    return Timeline(float(rate_hz), stamps_s.size, first, start_s), scatter_s


def say_gaps(of: str, count: int) -> tuple[str, ...]:
    """Return a note on the gaps of a recording or a part of it; none where it has none."""
    return (f"{of} has {count} gap{'s' * (count > 1)}; no sweep is joined across",) if count else ()


def check_gaps(seconds: float, where: str) -> None:
    """Raise ``RecordingError`` where the gaps of a recording together are longer than any session."""
    if not seconds <= GREATEST_GAPS_S:
        raise RecordingError(
            "gaps are too long to be of one session", where=where, expected=f"up to {GREATEST_GAPS_S / 3600:g} hours in all",
            found=f"{seconds / 3600:g} hours", do="export each part as a recording of its own",
        )  # fmt: skip
