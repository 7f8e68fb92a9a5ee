"""Is this the sweep of that stimulus? What a file says of itself is held against what was asked for; nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decussa.model.dialogue import Deliver
from decussa.model.recording import StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.quality.verdict import Limits

#: Intensities that differ by less are the same: half of what a stimulator can be set by (common practice, no source).
_SAME_MSO, _SAME_MA = 0.5, 0.05
#: An interval may be off by as much as that of a trial, in ms, or by one sample where that is more.
_SAME_ISI_MS = Limits().isi_tolerance_ms
#: Baselines that correlate so much on every channel are one recording, saved twice: noise never repeats itself.
_SAME_BASELINE, _SAME_SIZE = 0.995, 0.02
_BASELINE_MS = (-100.0, -5.0)


def difference(event: StimulusEvent, request: Deliver, rate_hz: float) -> str:
    """Return in words how what a file says differs from what was asked for; empty where it does not, or says nothing."""
    said, asked = event.stimulus, request.stimulus
    told = event.pulse_from in ("events", "annotation")
    if told and said.stim_type != asked.stim_type:
        return f"it says {said.stim_type}, {asked.stim_type} was asked for"
    for name, unit, same in (
        ("intensity_mso", "% MSO", _SAME_MSO),
        ("cond_intensity_mso", "% MSO for the conditioning pulse", _SAME_MSO),
        ("current_ma", "mA", _SAME_MA),
        ("isi_ms", "ms between the pulses", max(_SAME_ISI_MS, 1e3 / rate_hz)),
    ):
        one, other = _pair(said, asked, name)
        if math.isfinite(one) and math.isfinite(other) and abs(one - other) > same + 1e-9:
            return f"it says {one:g} {unit}, {other:g} was asked for"
    if event.condition and request.condition and event.condition.casefold() != request.condition.casefold():
        return f"it says condition {event.condition!r}, {request.condition!r} was asked for"
    return ""


def _pair(said: Stimulus, asked: Stimulus, name: str) -> tuple[float, float]:
    return float(getattr(said, name)), float(getattr(asked, name))


class SeenSweeps:
    """The sweeps that were seen so far, by their baselines: one that is saved twice, renamed or rewritten, is known again."""

    def __init__(self) -> None:
        self._by_kind: dict[tuple[object, ...], list[tuple[NDArray[np.float32], NDArray[np.float64]]]] = {}

    def add(self, sweep: Sweep) -> None:
        """Take in a sweep."""
        self._by_kind.setdefault(_kind(sweep), []).append(_shape_and_spread(sweep))

    def holds(self, sweep: Sweep) -> bool:
        """Return whether this sweep was seen: on every channel the baseline has the same course and nearly the same size."""
        known = self._by_kind.get(_kind(sweep))
        if not known:
            return False
        shape, spread = _shape_and_spread(sweep)
        shapes, spreads = np.stack([one for one, _ in known]), np.stack([one for _, one in known])
        alike = (shapes * shape).sum(axis=2) > _SAME_BASELINE
        flat = (spreads == 0) & (spread == 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            sized = np.abs(spreads / spread - 1) < _SAME_SIZE
        return bool(((alike & sized) | flat).all(axis=1).any())


def _kind(sweep: Sweep) -> tuple[object, ...]:
    return sweep.rate_hz, sweep.channels, baseline(sweep).shape


def _shape_and_spread(sweep: Sweep) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return the baselines with mean 0 and length 1, shape (n_channels, n_samples), and their standard deviations."""
    rows = baseline(sweep)
    rows = rows - rows.mean(axis=1, keepdims=True) if rows.size else rows
    lengths = np.linalg.norm(rows, axis=1, keepdims=True)
    shapes = np.divide(rows, lengths, out=np.zeros_like(rows), where=lengths > 0)
    return shapes.astype(np.float32), np.asarray(rows.std(axis=1) if rows.size else lengths[:, 0])


def baseline(sweep: Sweep) -> NDArray[np.float64]:
    """Return the 95 ms before the first pulse can be anywhere near, shape (n_channels, n_samples); shorter where cut off."""
    low, high = (sweep.onset_sample + round(ms * sweep.rate_hz / 1e3) for ms in _BASELINE_MS)
    return np.asarray(sweep.samples_uv[:, max(low, 0) : max(high, 0)], dtype=np.float64)


def is_whole(sweep: Sweep) -> bool:
    """Return whether every sample from the baseline to 50 ms after the pulse is there: else the file is still growing."""
    until = sweep.onset_sample + round(0.05 * sweep.rate_hz)
    core = np.concatenate([baseline(sweep), sweep.samples_uv[:, sweep.onset_sample : until + 1]], axis=1)
    return sweep.samples_uv.shape[1] > until and bool(np.isfinite(core).all())


def kept_ms(sweep: Sweep) -> float:
    """Return how long after the pulse a sweep goes on, without samples that are missing at its end."""
    held = np.flatnonzero(np.isfinite(sweep.samples_uv).all(axis=0))
    return float(held[-1] - sweep.onset_sample) * 1e3 / sweep.rate_hz if held.size else -math.inf


def running_number(name: str) -> int | None:
    """Return the last whole number in a file's name without its ending, by which recorders count; None without one."""
    found = re.findall(r"\d+", name.rpartition(".")[0] or name)
    return int(found[-1]) if found else None


def order_words(before: str, now: str) -> str:
    """Return in words what is odd about two names that follow each other; empty where nothing is, or they do not count."""
    first, second = running_number(before), running_number(now)
    if first is None or second is None or before == now or _frame(before) != _frame(now):
        return ""
    if second == first + 1:
        return ""
    if second <= first:
        return f"{now} comes after {before}: the numbers run backwards"
    missing = second - first - 1
    return f"{now} comes after {before}: {missing} {'file is' if missing == 1 else 'files are'} missing between them"


def _frame(name: str) -> str:
    """Return a name without its running number."""
    stem = name.rpartition(".")[0] or name
    return re.sub(r"\d+(?=\D*$)", "", stem)


def words_of(names: Sequence[str]) -> str:
    """Return some names as words."""
    shown = ", ".join(names[:3])
    return f"{shown} and {len(names) - 3} more" if len(names) > 3 else shown
